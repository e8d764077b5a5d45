// A picture file's bytes -> pixels: linear light, the view for eyes, the thumbnail. Once under a
// raw file's name, which sends every TIFF container to the raw reader.
#include <opencv2/core.hpp>

#include "fuzz/input.h"
#include "ringsweep/decode.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace ringsweep;
  // As the tool does, refuse what claims more than memory holds; with less memory than the tool.
  constexpr double kMaxMegapixels = 4.0;
  for (const char* name : {"picture.tif", "picture.dng"}) {
    FrameRef frame;
    frame.file = name;
    frame.path = fuzz::input_file(name, data, size).string();
    for (const int reduction : {1, 8}) {
      const auto picture =
          decode(frame, {.reduction = reduction, .max_megapixels = kMaxMegapixels});
      fuzz::require(!picture || cv::checkRange(picture->luminance, true, nullptr, 0.0, 1.0 + 1e-6));
    }
    const auto view = decode_view(frame, {.reduction = 1, .max_megapixels = kMaxMegapixels});
    fuzz::require(!view || view->bgr.type() == CV_8UC3);
    (void)decode_thumbnail(frame);
  }
  return 0;
}
