#include "said_subject.h"

#include <algorithm>
#include <cstdint>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "ringsweep/frame_name.h"

namespace ringsweep {
namespace {

/// By its name, or the digits that end it as the camera's screen shows them; the first of several.
std::optional<std::size_t> frame_named(const MeasuredBurst& burst, const std::string& name) {
  for (std::size_t k = 0; k < burst.refs.size(); ++k)
    if (is_called(burst.refs[k].file, name)) return k;
  return std::nullopt;
}

/// What the user said of the picture, for each tile; empty where nothing was said.
cv::Mat mask_on_grid(const SubjectChoice& choice, const TileGrid& grid, const UprightMap& map) {
  if (choice.outline.empty() && choice.mask.empty()) return {};
  std::vector<cv::Point2f> outline(choice.outline.begin(), choice.outline.end());
  cv::Mat mask(grid.rows(), grid.cols(), CV_8UC1, cv::Scalar(0));
  for (int row = 0; row < mask.rows; ++row)
    for (int col = 0; col < mask.cols; ++col) {
      const cv::Point2d p = map.tile(row, col);
      bool in = true;
      if (!outline.empty()) in = cv::pointPolygonTest(outline, cv::Point2f(p), false) >= 0.0;
      if (!choice.mask.empty()) {
        const cv::Point at_mask(cvFloor((p.x + 0.5) * choice.mask.cols / map.size().width),
                                cvFloor((p.y + 0.5) * choice.mask.rows / map.size().height));
        in = in && cv::Rect({}, choice.mask.size()).contains(at_mask) &&
             choice.mask.at<std::uint8_t>(at_mask) != 0;
      }
      if (in) mask.at<std::uint8_t>(row, col) = 255;
    }
  return mask;
}

}  // namespace

SubjectWish wish_on_grid(const SubjectChoice& choice, const SaidOf& of,
                         std::vector<std::string>& notes) {
  SubjectWish result{.mask = mask_on_grid(choice, of.burst.grid, of.upright)};
  const auto position = [&](const std::string& name) -> std::optional<double> {
    const auto k = frame_named(of.burst, name);
    if (k && of.focus.frames[*k].q_px) return of.focus.frames[*k].q_px;
    notes.push_back("Frame " + name + (k ? " has no focal position" : " is not in this burst") +
                    ": what you said with it is not heeded.");
    return std::nullopt;
  };
  if (!choice.from_frame.empty() && !choice.to_frame.empty()) {
    const auto from = position(choice.from_frame), to = position(choice.to_frame);
    if (from && to) {
      result.low_px = std::min(*from, *to);
      result.high_px = std::max(*from, *to);
    }
  }
  if (!choice.leave_in_front_of.empty()) {
    const auto front = position(choice.leave_in_front_of);
    if (front && (of.near_known || *front > 0.0))
      result.high_px = std::min(*front, result.high_px.value_or(*front));
    else if (front)
      result.low_px = std::max(*front, result.low_px.value_or(*front));
  }
  return result;
}

}  // namespace ringsweep
