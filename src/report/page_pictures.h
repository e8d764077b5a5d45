#pragma once
/// Page pictures: decoded frames -> what the page shows of them, as pictures. Plain functions of
/// pixels and places; encoding is the caller's.

#include <cstddef>
#include <opencv2/core.hpp>

#include "ringsweep/analyse.h"
#include "ringsweep/frame.h"

namespace ringsweep {

/// The frame, upright, its long side `long_side_px` or what it has.
[[nodiscard]] cv::Mat small_upright(const ViewFrame& view, int orientation, int long_side_px);

/// What a frame shows at a place of the upright reference frame, `edge_px` px on its long side or
/// what the frame has. Light evened out.
/// @param place  full-size upright px of the reference frame, not empty
[[nodiscard]] cv::Mat cut_out(const ViewFrame& view, const BurstAnalysis& burst, std::size_t frame,
                              const cv::Rect& place, int edge_px);

/// Rows of the frame that cut_out() reads: full-size px of it, in sensor orientation; may go beyond
/// the frame.
[[nodiscard]] cv::Range rows_of_cut(const BurstAnalysis& burst, std::size_t frame,
                                    const cv::Rect& place);

/// The sharpest of several frames at each place: a quick look, no stack.
///
/// Local energy of the gradient decides (as in profiles.h, here in the file's own tones), the
/// earlier frame where two are alike: the same picture in whatever order they come.
class QuickLook {
 public:
  /// @param long_side_px of the picture
  QuickLook(const BurstAnalysis& burst, int long_side_px);
  void add(const ViewFrame& view, const BurstAnalysis& burst, std::size_t frame);
  /// Takes the other one's pictures over.
  void add(QuickLook&& other);
  /// CV_8UC3, upright; empty where nothing was added.
  [[nodiscard]] const cv::Mat& picture() const { return picture_; }

 private:
  void take(const cv::Mat& picture, const cv::Mat& energy, const cv::Mat& frames);

  cv::Size size_;
  cv::Mat picture_;
  cv::Mat energy_;  // CV_32FC1, -1 where nothing was seen
  cv::Mat frame_;   // CV_16UC1
};

}  // namespace ringsweep
