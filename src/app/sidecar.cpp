#include "app/sidecar.h"

#include <exiv2/exiv2.hpp>
#include <stdexcept>

namespace ringsweep::app {

std::string sidecar_xmp(const Sidecar& sidecar) {
  Exiv2::XmpData data;
  data["Xmp.xmp.Rating"] = std::to_string(sidecar.rating);
  data["Xmp.xmp.Label"] = sidecar.label;
  std::string packet;
  // No padding: nobody edits it in place.
  if (Exiv2::XmpParser::encode(
          packet, data, Exiv2::XmpParser::omitPacketWrapper | Exiv2::XmpParser::useCompactFormat,
          0) != 0)
    throw std::runtime_error("a sidecar could not be put into words");
  return packet;
}

}  // namespace ringsweep::app
