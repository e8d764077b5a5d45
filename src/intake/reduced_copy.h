#pragma once
/// Pictures that are smaller than what the camera shot. Pure: no file is touched.

#include <opencv2/core.hpp>
#include <optional>

namespace ringsweep {

/// `full_size`, upright or lying as the file's picture is: programs turn what they save.
[[nodiscard]] cv::Size turned_like(cv::Size file_size, cv::Size full_size);

/// Full-size px per px of a file, where its picture is a reduced copy of the full-size one: of the
/// same shape, but turned by a quarter maybe. Nothing where it is not, or is all but as large.
[[nodiscard]] std::optional<double> reduced_by(cv::Size file_size, cv::Size full_size);

}  // namespace ringsweep
