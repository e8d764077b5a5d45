#include "upright_map.h"

#include <opencv2/imgproc.hpp>
#include <vector>

#include "ringsweep/upright.h"

namespace ringsweep {

cv::Point2d UprightMap::point(cv::Point2d on_grid) const {
  const cv::Vec3d at = reference_from_grid * cv::Vec3d(on_grid.x, on_grid.y, 1.0);
  return upright_from_sensor({at[0], at[1]}, full_size, orientation);
}

cv::Matx33d UprightMap::reference_from_tile() const {
  const double edge = tile_px, middle = 0.5 * (edge - 1.0);
  return reference_from_grid * cv::Matx33d(edge, 0.0, middle, 0.0, edge, middle, 0.0, 0.0, 1.0);
}

cv::Point2d UprightMap::tile(int row, int col) const {
  const double middle = 0.5 * (tile_px - 1);
  return point({col * tile_px + middle, row * tile_px + middle});
}

cv::Rect UprightMap::box(const cv::Rect2d& on_grid) const {
  std::vector<cv::Point2f> corners;
  for (const cv::Point2d& corner : {on_grid.tl(), on_grid.br()})
    corners.emplace_back(point({corner.x - 0.5, corner.y - 0.5}));
  return cv::boundingRect(corners) & cv::Rect({}, size());
}

cv::Size UprightMap::size() const { return upright_size(full_size, orientation); }

}  // namespace ringsweep
