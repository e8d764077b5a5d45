// A burst maker's recipe, with its plan of frames, which is made as it is read.
#include "fuzz/input.h"
#include "maker/recipe.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace ringsweep;
  (void)maker::read_recipe(fuzz::input_file("recipe.json", data, size));
  return 0;
}
