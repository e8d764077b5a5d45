#include "baseline.h"

#include <algorithm>
#include <map>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

namespace ringsweep::accuracy {
namespace {

using nlohmann::json;

/// Variance of the Laplacian of each tile, row by row.
std::vector<double> tile_variances(const cv::Mat& grey, int tile_px) {
  cv::Mat laplacian;
  cv::Laplacian(grey, laplacian, CV_32F, 3);
  std::vector<double> variances;
  for (int y = 0; y + tile_px <= grey.rows; y += tile_px) {
    for (int x = 0; x + tile_px <= grey.cols; x += tile_px) {
      cv::Scalar mean, sd;
      cv::meanStdDev(laplacian(cv::Rect(x, y, tile_px, tile_px)), mean, sd);
      variances.push_back(sd[0] * sd[0]);
    }
  }
  return variances;
}

}  // namespace

json naive_report(const std::vector<std::string>& files,
                  const std::function<cv::Mat(std::size_t)>& read, int tile_px) {
  std::vector<std::vector<double>> variances;
  std::size_t tiles = 0;
  for (std::size_t k = 0; k < files.size(); ++k) {
    const cv::Mat grey = read(k);
    variances.push_back(grey.empty() ? std::vector<double>{} : tile_variances(grey, tile_px));
    tiles = std::max(tiles, variances.back().size());
  }
  std::vector<std::size_t> peaks(files.size());
  for (std::size_t t = 0; t < tiles; ++t) {
    std::vector<double> over_frames;
    std::size_t peak = 0;
    double highest = 0.0;
    for (std::size_t k = 0; k < files.size(); ++k) {
      if (t >= variances[k].size()) continue;
      over_frames.push_back(variances[k][t]);
      if (variances[k][t] > highest) {
        highest = variances[k][t];
        peak = k;
      }
    }
    const auto middle = over_frames.begin() + static_cast<std::ptrdiff_t>(over_frames.size() / 2);
    std::ranges::nth_element(over_frames, middle);
    if (highest > 0.0 && highest >= kPeakOverMedian * *middle) ++peaks[peak];
  }

  json frames = json::array(), gaps = json::array();
  std::size_t last_with_peak = files.size();  // none yet
  for (std::size_t k = 0; k < files.size(); ++k) {
    frames.push_back({{"file", files[k]}, {"focus_px", static_cast<double>(k)}});
    if (peaks[k] == 0) continue;
    if (last_with_peak + 1 < k) {
      gaps.push_back({{"after", files[last_with_peak]}, {"before", files[k]}});
    }
    last_with_peak = k;
  }
  const bool any = last_with_peak < files.size();
  return {{"verdict", !any           ? "cannot-tell"
                      : gaps.empty() ? "complete"
                                     : "reshoot"},
          {"frames", frames},
          {"gaps", gaps}};
}

json with_best_step(json naive, const json& truth) {
  std::map<std::string, double> known;
  for (const json& frame : truth.at("frames")) {
    if (!frame.value("on_subject", true)) continue;
    known[frame.at("file").get<std::string>()] = frame.at("focus_px").get<double>();
  }
  double n = 0.0, mx = 0.0, my = 0.0, sxx = 0.0, sxy = 0.0;
  const auto over_known = [&](const auto& use) {
    for (const json& frame : naive.at("frames")) {
      const auto found = known.find(frame.at("file").get<std::string>());
      if (found != known.end()) use(frame.at("focus_px").get<double>(), found->second);
    }
  };
  over_known([&](double x, double y) { n += 1.0, mx += x, my += y; });
  if (n < 2.0) return naive;
  mx /= n, my /= n;
  over_known([&](double x, double y) { sxx += (x - mx) * (x - mx), sxy += (x - mx) * (y - my); });
  for (json& frame : naive.at("frames")) {
    frame["focus_px"] = frame["focus_px"].get<double>() * sxy / sxx;
  }
  return naive;
}

}  // namespace ringsweep::accuracy
