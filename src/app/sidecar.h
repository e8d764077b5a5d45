#pragma once
/// Sidecar: a note on one picture that other programs can read, in a file of its own.

#include <string>

namespace ringsweep::app {

struct Sidecar {
  int rating = 0;     ///< xmp:Rating, 0 (none) to 5
  std::string label;  ///< xmp:Label, UTF-8
};

/// An XMP packet in RDF, ISO 16684-1, with `xmp:Rating` and `xmp:Label`: what goes into the file.
[[nodiscard]] std::string sidecar_xmp(const Sidecar& sidecar);

}  // namespace ringsweep::app
