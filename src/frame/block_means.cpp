#include "ringsweep/block_means.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>

namespace ringsweep {

cv::Mat block_means(const cv::Mat& picture, int times) {
  if (times <= 1) return picture;
  const cv::Size size(std::max(1, picture.cols / times), std::max(1, picture.rows / times));
  const cv::Rect whole = cv::Rect({}, size * times) & cv::Rect({}, picture.size());
  cv::Mat means;
  cv::resize(picture(whole), means, size, 0, 0, cv::INTER_AREA);
  return means;
}

}  // namespace ringsweep
