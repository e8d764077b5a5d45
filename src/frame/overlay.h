#pragma once
/// Two pictures laid over each other, and the normal equations of moving one onto the other: the
/// inner loops of registration, with vector instructions.

#include <Eigen/Core>
#include <opencv2/core.hpp>
#include <vector>

#include "frame/stray_tiles.h"
#include "ringsweep/registration.h"

namespace ringsweep {

/// Px from `begin` to before `end` of one row.
struct Interval {
  int begin = 0;
  int end = 0;
};

inline constexpr double kHuber = 1.345;  ///< 95 % efficiency: Huber, see REFERENCES 8.1

/// Frame px about its centre -> the other's px about its centre.
[[nodiscard]] cv::Matx33d about_centers(const Similarity& s);

/// The other way round, for a matrix that is a similarity.
[[nodiscard]] Similarity similarity_of(const cv::Matx33d& about_centers);

/// How a residual counts, by size: Huber's loss of what is left after a free offset.
struct RobustLoss {
  float offset = 0.0F;
  float limit = 0.0F;
};

/// Of one Gauss-Newton step; unknowns: scale and rotation, both as px at the corner, and shift.
/// The gradient is the mean of both pictures' (as good as a second-order step, and even-handed
/// between a sharp and a blurred picture).
struct NormalEquations {
  Eigen::Matrix4d h = Eigen::Matrix4d::Zero();
  Eigen::Vector4d g = Eigen::Vector4d::Zero();
  double chi2 = 0.0;
};

/// A picture and another warped onto it, kept as their sum and difference.
class Overlay {
 public:
  /// @param to CV_32FC1.
  explicit Overlay(const cv::Mat& to);

  /// Warps `from` (CV_32FC1, two px a side or more) by `to_from`, bilinear with exact weights:
  /// cv::warpAffine rounds places to 1/32 px, and Gauss-Newton then runs in a circle of that size
  /// instead of converging.
  /// @param same_px compares the px of the time before, for a place within about a px of it: where
  /// whole rows come and go with every step, there is no place to end.
  void lay(const cv::Mat& from, const Similarity& to_from, bool same_px = false);

  /// Px that lie inside both pictures together with their neighbours: those are compared.
  [[nodiscard]] int num_compared() const;
  [[nodiscard]] double share_compared() const;
  /// Those of them that normal equations count.
  [[nodiscard]] int num_counted() const;
  /// Correlation of the two pictures, -1..1; 0 where one of them is flat.
  [[nodiscard]] double correlation() const;
  /// Median, and limit from the median deviation, of some thousands of px.
  [[nodiscard]] RobustLoss robust_loss(std::vector<float>& workspace) const;
  [[nodiscard]] NormalEquations normal_equations(const RobustLoss& loss) const;
  /// Those of tiles by themselves, row by row; px beyond the last whole tile are in none.
  [[nodiscard]] std::vector<TileEquations> tile_equations(const RobustLoss& loss,
                                                          int tile_px) const;
  [[nodiscard]] cv::Size tile_grid(int tile_px) const {
    return {size_.width / tile_px, size_.height / tile_px};
  }
  /// From now on normal equations do without the px of these tiles, CV_8UC1 of that grid, and of
  /// those next to them.
  void leave_out(const cv::Mat& tiles, int tile_px);
  [[nodiscard]] cv::Point2d center() const {
    return {(size_.width - 1) / 2.0, (size_.height - 1) / 2.0};
  }

 private:
  void choose_px(const cv::Matx33d& from_px, const cv::Size& from);

  cv::Size size_;
  // Rows are longer than the picture, so that several px may be read at a time.
  cv::Mat to_, sum_, difference_;
  cv::Mat kept_;                    // 1 or 0 a px; empty: all are kept
  std::vector<Interval> compared_;  // a row each
};

}  // namespace ringsweep
