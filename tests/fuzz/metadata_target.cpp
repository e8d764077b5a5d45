// A picture file's bytes -> what its metadata say, and the thumbnail in them.
#include "fuzz/input.h"
#include "metadata.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace ringsweep;
  const auto file = fuzz::input_file("picture", data, size);
  for (const bool is_raw : {false, true}) {
    const Metadata metadata = read_metadata(file, is_raw);
    fuzz::require(metadata.orientation >= 1 && metadata.orientation <= 8);
    fuzz::require(!metadata.pixel_pitch_mm || *metadata.pixel_pitch_mm > 0.0);
  }
  (void)embedded_thumbnail(file);
  return 0;
}
