// A lens file, where the tool looks for it.
#include "app/lens_file.h"
#include "fuzz/input.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace ringsweep;
  const auto file = fuzz::input_file("ringsweep/lenses/known.json", data, size);
  const auto config = file.parent_path().parent_path().parent_path().string();
  const testing_app::Environment home("XDG_CONFIG_HOME", config.c_str());
  const auto lens = app::read_lens("known");
  fuzz::require(!lens || (lens->degrees_per_mm > 0.0 && lens->degrees_per_mm_sd >= 0.0));
  return 0;
}
