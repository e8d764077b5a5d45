#pragma once
/// Resample: a picture shifted, scaled and turned a little, by cubic interpolation.

#include <opencv2/core.hpp>

namespace ringsweep {

/// Cubic interpolation (R. G. Keys, IEEE Trans. ASSP 29, 1981, p. 1153; a = -0.75), beyond the
/// edges as in a mirror (cv::BORDER_REFLECT). For turns up to a tenth it goes along the rows first
/// and then along the columns (E. Catmull, A. R. Smith, Proc. SIGGRAPH 1980, p. 279, from memory):
/// a third of the time of cv::warpAffine(), and places are not rounded to 1/32 px. For larger turns
/// it is that function.
/// @param picture CV_32FC1
/// @param from_result px of the result -> px of the picture, affine
/// @param size of the result
[[nodiscard]] cv::Mat resample(const cv::Mat& picture, const cv::Matx23d& from_result,
                               cv::Size size);

}  // namespace ringsweep
