#include "residual_page.h"

#include <fmt/core.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <map>
#include <opencv2/imgproc.hpp>

#include "numerics/quantile.h"

namespace ringsweep::accuracy {
namespace {

constexpr std::size_t kFewest = 10;  // residuals in a bin that is shown
constexpr int kWidth = 640, kHeight = 400, kRim = 50;
const cv::Scalar kBlack(0, 0, 0), kGrey(200, 200, 200), kWhite(255, 255, 255);
const std::array<cv::Scalar, kNumBands> kColours{cv::Scalar(180, 80, 0), cv::Scalar(0, 140, 0),
                                                 cv::Scalar(0, 60, 220)};

Bin bin_of(double at, std::vector<double>& values) {
  return {.at = at,
          .count = values.size(),
          .low = quantile_in_place(values, 0.16),
          .middle = quantile_in_place(values, 0.5),
          .high = quantile_in_place(values, 0.84)};
}

std::vector<Bin> bins(std::map<double, std::vector<double>>& by_place) {
  std::vector<Bin> all;
  for (auto& [at, values] : by_place)
    if (values.size() >= kFewest) all.push_back(bin_of(at, values));
  return all;
}

/// Axes of one plot, and what is drawn in them.
class Plot {
 public:
  Plot(cv::Mat page, const std::string& title, double x0, double x1, double y1)
      : page_(std::move(page)), x0_(x0), x1_(x1), y1_(y1) {
    words(title, {kRim, kRim - 18});
    for (const double y : {-y1_, -y1_ / 2, 0.0, y1_ / 2, y1_}) {
      cv::line(page_, at(x0_, y), at(x1_, y), y == 0.0 ? kBlack : kGrey);
      words(fmt::format("{:.2g}", y), {2, at(x0_, y).y + 4});
    }
    for (int i = 0; i <= 6; ++i) {
      const double x = x0_ + (x1_ - x0_) * i / 6;
      cv::line(page_, at(x, -y1_), at(x, y1_), kGrey);
      words(fmt::format("{:.3g}", x), at(x, -y1_) + cv::Point(-8, 18));
    }
  }

  void line(const std::vector<Bin>& bins, const cv::Scalar& colour, double Bin::*value,
            int thickness = 2) {
    for (std::size_t i = 1; i < bins.size(); ++i)
      cv::line(page_, at(bins[i - 1].at, bins[i - 1].*value), at(bins[i].at, bins[i].*value),
               colour, thickness, cv::LINE_AA);
  }
  void bar(double x, double low, double high, const cv::Scalar& colour) {
    cv::line(page_, at(x, low), at(x, high), colour, 1, cv::LINE_AA);
  }
  void dot(double x, double y, const cv::Scalar& colour) {
    cv::circle(page_, at(x, y), 3, colour, cv::FILLED, cv::LINE_AA);
  }

 private:
  [[nodiscard]] cv::Point at(double x, double y) const {
    const double right = (x - x0_) / std::max(1e-9, x1_ - x0_);
    const double up = 0.5 + 0.5 * std::clamp(y / y1_, -1.0, 1.0);
    return {kRim + static_cast<int>(std::lround(right * (kWidth - 2 * kRim))),
            kHeight - kRim - static_cast<int>(std::lround(up * (kHeight - 2 * kRim)))};
  }
  void words(const std::string& text, cv::Point where) {
    cv::putText(page_, text, where, cv::FONT_HERSHEY_SIMPLEX, 0.42, kBlack, 1, cv::LINE_AA);
  }

  cv::Mat page_;
  double x0_, x1_, y1_;
};

/// Largest size of these values, for an axis; the outermost are cut.
double reach_of(const std::vector<std::vector<Bin>>& lines, double Bin::*low, double Bin::*high) {
  double most = 0.01;
  for (const auto& bins : lines)
    for (const Bin& b : bins) most = std::max({most, std::abs(b.*low), std::abs(b.*high)});
  return 1.1 * most;
}

/// Cells of the picture in blue (below 0) to red; grey where there is too little.
void draw_map(const cv::Mat& page, const std::string& title, const PageInput& input,
              const std::function<double(std::vector<double>&)>& value, double most) {
  constexpr int kAcross = 24, kDown = 16;
  std::map<std::pair<int, int>, std::vector<double>> cells;
  const TileGrid& grid = input.profiles.grid;
  for (const Residual& r : input.residuals) {
    if (std::abs(r.away_px) > 6.0) continue;
    const TileProfile& tile = input.profiles.tiles[r.tile];
    cells[{tile.row * kDown / grid.rows(), tile.col * kAcross / grid.cols()}].push_back(r.energy);
  }
  const double width = static_cast<double>(kWidth - 2 * kRim) / kAcross;
  const double height = static_cast<double>(kHeight - 2 * kRim) / kDown;
  cv::rectangle(page, {kRim, kRim, kWidth - 2 * kRim, kHeight - 2 * kRim}, kGrey, cv::FILLED);
  for (auto& [place, values] : cells) {
    if (values.size() < kFewest) continue;
    const double v = std::clamp(value(values) / most, -1.0, 1.0);
    const double fade = 255.0 * (1.0 - std::abs(v));
    const cv::Scalar colour = v < 0.0 ? cv::Scalar(255, fade, fade) : cv::Scalar(fade, fade, 255);
    cv::rectangle(page, cv::Point2d(kRim + place.second * width, kRim + place.first * height),
                  cv::Point2d(kRim + (place.second + 1) * width, kRim + (place.first + 1) * height),
                  colour, cv::FILLED);
  }
  cv::putText(page, fmt::format("{}; full colour {}", title, most), {kRim, kRim - 18},
              cv::FONT_HERSHEY_SIMPLEX, 0.42, kBlack, 1, cv::LINE_AA);
}

}  // namespace

std::vector<Bin> by_distance(std::span<const Residual> residuals, std::size_t band,
                             double width_px) {
  std::map<double, std::vector<double>> by_place;
  for (const Residual& r : residuals)
    if (r.band == band)
      by_place[(std::floor(r.away_px / width_px) + 0.5) * width_px].push_back(r.energy);
  return bins(by_place);
}

std::vector<Bin> by_frame(std::span<const Residual> residuals, std::size_t band, double reach_px) {
  std::map<double, std::vector<double>> by_place;
  for (const Residual& r : residuals)
    if (r.band == band && std::abs(r.away_px) <= reach_px)
      by_place[static_cast<double>(r.frame)].push_back(r.energy);
  return bins(by_place);
}

std::vector<Bin> sides_by_frame(std::span<const Residual> residuals, double reach_px) {
  std::map<std::size_t, std::array<std::vector<double>, 2>> by_side;
  for (const Residual& r : residuals)
    if (std::abs(r.away_px) >= 1.0 && std::abs(r.away_px) <= reach_px)
      by_side[r.frame][r.away_px < 0.0 ? 1 : 0].push_back(r.energy);
  std::vector<Bin> all;
  for (auto& [frame, sides] : by_side) {
    if (sides[0].size() < kFewest || sides[1].size() < kFewest) continue;
    const double below = quantile_in_place(sides[0], 0.5), above = quantile_in_place(sides[1], 0.5);
    all.push_back({.at = static_cast<double>(frame),
                   .count = sides[0].size() + sides[1].size(),
                   .middle = 0.5 * (above - below)});
  }
  return all;
}

cv::Mat residual_page(const PageInput& input) {
  constexpr int kHead = 40;
  cv::Mat page(kHead + 3 * kHeight, 3 * kWidth, CV_8UC3, kWhite);
  cv::putText(page, input.title, {kRim, 28}, cv::FONT_HERSHEY_SIMPLEX, 0.6, kBlack, 1, cv::LINE_AA);
  const auto part = [&](int row, int col) {
    return page(cv::Rect(col * kWidth, kHead + row * kHeight, kWidth, kHeight));
  };
  constexpr double kReachPx = 15.0;  // what is blurred more hardly counts in the fit
  std::vector<std::vector<Bin>> distance, frame;
  for (std::size_t j = 0; j < kNumBands; ++j) {
    distance.push_back(by_distance(input.residuals, j));
    std::erase_if(distance.back(), [](const Bin& b) { return std::abs(b.at) > kReachPx; });
    frame.push_back(by_frame(input.residuals, j));
  }
  for (std::size_t j = 0; j < kNumBands; ++j) {
    Plot plot(part(0, static_cast<int>(j)),
              fmt::format("band {}: residual against q_frame - q_tile, px (16, 50, 84 %)", j),
              -kReachPx, kReachPx, reach_of(distance, &Bin::low, &Bin::high));
    plot.line(distance[j], kColours[j], &Bin::low, 1);
    plot.line(distance[j], kColours[j], &Bin::middle);
    plot.line(distance[j], kColours[j], &Bin::high, 1);
  }

  const auto last = static_cast<double>(std::max<std::size_t>(2, input.profiles.num_frames) - 1);
  Plot frames(part(1, 0), "median within 6 px against the frame; blue, green, red: bands 0, 1, 2",
              0.0, last, reach_of(frame, &Bin::middle, &Bin::middle));
  for (std::size_t j = 0; j < kNumBands; ++j) frames.line(frame[j], kColours[j], &Bin::middle);
  const std::vector<Bin> sides = sides_by_frame(input.residuals);
  Plot both(part(1, 1), "tiles above less tiles below the frame, halved: a frame out of place", 0.0,
            last, reach_of({sides}, &Bin::middle, &Bin::middle));
  both.line(sides, kBlack, &Bin::middle, 1);
  for (const Bin& b : sides) both.dot(b.at, b.middle, kBlack);

  draw_map(
      part(2, 0), "median over the picture", input,
      [](std::vector<double>& v) { return quantile_in_place(v, 0.5); }, 0.05);
  draw_map(
      part(2, 1), "scatter over the picture (half of 16 to 84 %)", input,
      [](std::vector<double>& v) {
        return 0.5 * (quantile_in_place(v, 0.84) - quantile_in_place(v, 0.16));
      },
      0.3);

  if (input.errors.empty()) return page;
  double most = 0.05;
  for (const FrameError& e : input.errors) most = std::max(most, 1.1 * std::abs(e.shape_px));
  Plot truth(part(1, 2), "position less truth, px, shift and scale taken off; bars 1.96 sd", 0.0,
             static_cast<double>(std::max<std::size_t>(2, input.errors.size()) - 1), most);
  std::vector<Bin> shape;
  for (std::size_t i = 0; i < input.errors.size(); ++i) {
    const FrameError& e = input.errors[i];
    const auto x = static_cast<double>(i);
    shape.push_back({.at = x, .middle = e.shape_px});
    truth.dot(x, e.shape_px, kBlack);
    if (!e.in_sd || *e.in_sd == 0.0) continue;
    const double sd = std::abs(e.shape_px / *e.in_sd);
    truth.bar(x, e.shape_px - 1.96 * sd, e.shape_px + 1.96 * sd, kColours[0]);
  }
  truth.line(shape, kBlack, &Bin::middle, 1);
  return page;
}

}  // namespace ringsweep::accuracy
