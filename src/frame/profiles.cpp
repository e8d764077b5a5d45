#include "ringsweep/profiles.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <utility>

#include "frame/resample.h"
#include "frame/wave_blur.h"
#include "numerics/quantile.h"
#include "ringsweep/block_means.h"

namespace ringsweep {
namespace {

/// energy(above, here, below, x, left, right) of each px of `smooth`: rows and columns next to it,
/// at the edges its own.
template <class Energy>
cv::Mat of_neighbours(const cv::Mat& smooth, const Energy& energy) {
  cv::Mat result(smooth.size(), CV_32FC1);
  const int last_row = result.rows - 1, last_col = result.cols - 1;
  for (int y = 0; y <= last_row; ++y) {
    const float* above = smooth.ptr<float>(std::max(y - 1, 0));
    const float* here = smooth.ptr<float>(y);
    const float* below = smooth.ptr<float>(std::min(y + 1, last_row));
    float* out = result.ptr<float>(y);
    out[0] = energy(above, here, below, 0, 0, std::min(1, last_col));
    for (int x = 1; x < last_col; ++x) out[x] = energy(above, here, below, x, x - 1, x + 1);
    out[last_col] = energy(above, here, below, last_col, std::max(last_col - 1, 0), last_col);
  }
  return result;
}

/// Squared gradient after a Gaussian, per pixel of `picture`: central differences.
cv::Mat gradient_energy(const cv::Mat& picture, double sigma) {
  const int radius = static_cast<int>(std::ceil(4.0 * sigma));
  cv::Mat smooth;
  cv::GaussianBlur(picture, smooth, {2 * radius + 1, 2 * radius + 1}, sigma, sigma,
                   cv::BORDER_REFLECT);
  return of_neighbours(smooth, [](const float* above, const float* here, const float* below, int x,
                                  int left, int right) {
    const float dx = here[right] - here[left], dy = below[x] - above[x];
    return 0.25F * (dx * dx + dy * dy);
  });
}

/// gradient_energy() of a picture of which only cv::pyrDown()'s half is there, `sigma` in px of the
/// whole one; per px of the half. Right where the picture is so blurred that the half tells it: a
/// difference of neighbours there spans what a central difference spans in the whole picture.
cv::Mat gradient_energy_of_half(const cv::Mat& half, double sigma) {
  // What the Gaussian's transfer is over that of the pyramid's (1 4 6 4 1) / 16, at two frequencies
  // of the half that are most of what is left; five taps that have both.
  const auto missing = [sigma](double w) {
    return 1.0 - std::exp(-0.125 * sigma * sigma * w * w) / std::pow(std::cos(0.25 * w), 4);
  };
  const auto share = [](double w) { return 2.0 - 2.0 * std::cos(w); };
  constexpr double kLow = 1.2, kHigh = 2.2;
  const cv::Vec2d taps =
      cv::Matx22d(share(kLow), share(2.0 * kLow), share(kHigh), share(2.0 * kHigh)).inv() *
      cv::Vec2d(missing(kLow), missing(kHigh));
  const cv::Vec<double, 5> kernel(taps[1], taps[0], 1.0 - 2.0 * (taps[0] + taps[1]), taps[0],
                                  taps[1]);
  cv::Mat smooth;
  cv::sepFilter2D(half, smooth, CV_32F, kernel, kernel, {-1, -1}, 0.0, cv::BORDER_REFLECT);
  // The half's px lie on the even ones of the whole, differences between them. So that a tile's
  // mean has its middle where that of the whole has it, half a px on, the next ones count a
  // quarter.
  constexpr float kOwn = 0.75F, kNext = 0.25F;
  return of_neighbours(smooth, [](const float* above, const float* here, const float* below, int x,
                                  int left, int right) {
    const auto square = [](float v) { return v * v; };
    const auto across = [&](const float* row) {
      return kOwn * square(row[right] - row[x]) + kNext * square(row[x] - row[left]);
    };
    const auto down = [&](int col) {
      return kOwn * square(below[col] - here[col]) + kNext * square(here[col] - above[col]);
    };
    return 0.25F *
           (kOwn * across(here) + kNext * across(below) + kOwn * down(x) + kNext * down(right));
  });
}

/// Means of so many whole blocks of `edge` px, from the corner.
cv::Mat means_of(const cv::Mat& values, cv::Size blocks, int edge) {
  return block_means(values(cv::Rect({}, blocks * edge)), edge);
}

/// Means over tiles. `edge` px of `values` per tile.
cv::Mat tile_means(const cv::Mat& values, const TileGrid& grid, int edge) {
  return means_of(values, {grid.cols(), grid.rows()}, edge);
}

cv::Size half_size(cv::Size size) { return {(size.width + 1) / 2, (size.height + 1) / 2}; }

/// Means of 2 x 2 px, at the right and lower edge of those that there are.
cv::Mat half_means(const cv::Mat& values) {
  const cv::Size half = half_size(values.size());
  if (values.size() == half * 2) return means_of(values, half, 2);
  cv::Mat even;
  cv::copyMakeBorder(values, even, 0, 2 * half.height - values.rows, 0,
                     2 * half.width - values.cols, cv::BORDER_REPLICATE);
  return means_of(even, half, 2);
}

using TileEnergies = std::array<cv::Mat, kNumBands>;

struct BandEnergies {
  TileEnergies tiles;
  cv::Mat finest;  // of 2 x 2 px
};

/// In strips that stay in the processor's cache, so that nothing as large as the picture is needed.
BandEnergies band_energies(const cv::Mat& picture, const TileGrid& grid) {
  static_assert(std::ranges::all_of(kBands, [](const Band& b) { return b.level <= 1; }));
  constexpr int kRows = 256;   // about
  constexpr int kMargin = 16;  // that of the half's widest filter and its differences, 7 px, and 2
  const int height = std::max(1, kRows / grid.tile_px) * grid.tile_px;
  BandEnergies result;
  for (cv::Mat& tiles : result.tiles) tiles.create(grid.rows(), grid.cols(), CV_32FC1);
  result.finest.create(half_size(picture.size()), CV_32FC1);
  for (int row = 0; row < picture.rows; row += height) {
    const int from = std::max(0, row - kMargin);
    const int end = std::min(picture.rows, row + height);
    std::array<cv::Mat, 2> levels;
    levels[0] = picture.rowRange(from, std::min(picture.rows, end + kMargin));
    cv::pyrDown(levels[0], levels[1], {}, cv::BORDER_REFLECT);
    const cv::Range tiles(row / grid.tile_px, std::min(grid.rows(), end / grid.tile_px));
    for (std::size_t j = 0; j < kNumBands; ++j) {
      const int level = kBands[j].level;
      const cv::Mat energy =
          gradient_energy(levels[static_cast<std::size_t>(level)], kBands[j].sigma_px);
      const cv::Mat own = energy.rowRange((row - from) >> level, energy.rows);
      if (!tiles.empty())
        means_of(own, {grid.cols(), tiles.size()}, grid.tile_px >> level)
            .copyTo(result.tiles[j].rowRange(tiles));
      if (j == 0)
        half_means(own.rowRange(0, end - row))
            .copyTo(result.finest.rowRange(row / 2, (end + 1) / 2));
    }
  }
  return result;
}

/// As band_energies(), of a picture of which only the half is there.
TileEnergies band_energies_of_half(const cv::Mat& half, const TileGrid& grid) {
  static_assert(std::ranges::all_of(kBands, [](const Band& b) { return b.level <= 1; }));
  TileEnergies tiles;
  for (std::size_t j = 0; j < kNumBands; ++j) {
    const cv::Mat energy = kBands[j].level == 0 ? gradient_energy_of_half(half, kBands[j].sigma_px)
                                                : gradient_energy(half, kBands[j].sigma_px);
    tiles[j] = tile_means(energy, grid, grid.tile_px / 2);
  }
  return tiles;
}

/// What is to be multiplied to get `wanted`, within bounds.
TileEnergies shares(const TileEnergies& wanted, const TileEnergies& got) {
  constexpr double kMost = 1.5;  // beyond, there is nothing but noise
  TileEnergies result;
  for (std::size_t j = 0; j < kNumBands; ++j) {
    cv::divide(wanted[j], cv::max(got[j], 1e-12), result[j]);
    result[j] = cv::max(cv::min(result[j], kMost), 1.0 / kMost);
  }
  return result;
}

TileEnergies times(TileEnergies energies, const TileEnergies& shares) {
  for (std::size_t j = 0; j < kNumBands; ++j) energies[j] = energies[j].mul(shares[j]);
  return energies;
}

/// Tiles that lie inside the frame with room for the filters.
cv::Mat tiles_inside(const TileGrid& grid, const cv::Matx33d& frame_from_grid, cv::Size frame) {
  constexpr double kMarginPx = 6.0;
  cv::Mat inside(grid.rows(), grid.cols(), CV_8UC1);
  for (int r = 0; r < grid.rows(); ++r) {
    for (int c = 0; c < grid.cols(); ++c) {
      bool in = true;
      for (const int i : {0, 1})
        for (const int j : {0, 1}) {
          const cv::Vec3d p = frame_from_grid * cv::Vec3d((c + i) * grid.tile_px - 0.5,
                                                          (r + j) * grid.tile_px - 0.5, 1.0);
          in = in && p[0] >= kMarginPx && p[1] >= kMarginPx &&
               p[0] <= frame.width - 1 - kMarginPx && p[1] <= frame.height - 1 - kMarginPx;
        }
      inside.at<uchar>(r, c) = in ? 255 : 0;
    }
  }
  return inside;
}

constexpr double kReadLevel = 0.01;  // light at which read noise is as strong as photon noise

/// To a power; a little light more keeps what is black and noisy near it out of the steep part.
cv::Mat to_power(const cv::Mat& light, double exponent) {
  if (exponent == 1.0) return light;
  cv::Mat out = cv::max(light + kReadLevel, 0.0);
  cv::pow(out, exponent, out);
  return out;
}

cv::Mat from_power(const cv::Mat& picture, double exponent) {
  if (exponent == 1.0) return picture;
  cv::Mat out = cv::max(picture, 0.0);
  cv::pow(out, 1.0 / exponent, out);
  return out;
}

/// A picture, to be blurred by discs, or by waves where the lens is known.
class Blur {
 public:
  Blur(const cv::Mat& picture, double f_number_per_um) : picture_(picture) {
    if (f_number_per_um > 0.0) waves_.emplace(picture_, f_number_per_um);
  }

  [[nodiscard]] cv::Mat by(double diameter_px) const {
    if (diameter_px <= 0.0) return picture_;
    if (waves_) return waves_->blurred(diameter_px);
    cv::Mat blurred;
    cv::filter2D(picture_, blurred, CV_32F, disc_kernel(diameter_px), {-1, -1}, 0,
                 cv::BORDER_REFLECT);
    return blurred;
  }

 private:
  const cv::Mat picture_;
  std::optional<WaveBlur> waves_;
};

/// What is left in the tiles of a picture that is blurred by known amounts.
class BlurredTiles {
 public:
  BlurredTiles(const cv::Mat& picture, const TileGrid& grid, const BlurModel& model)
      : BlurredTiles(grid, model, to_power(picture, model.light_exponent)) {}

  [[nodiscard]] TileEnergies whole(double diameter_px) const {
    return band_energies(from_power(whole_.by(diameter_px), exponent_), grid_).tiles;
  }

  /// From half the picture, which is enough where blur leaves little beyond 0.25 cycles a px.
  [[nodiscard]] TileEnergies half(double diameter_px) const {
    return band_energies_of_half(from_power(half_.by(diameter_px / 2.0), exponent_), grid_);
  }

 private:
  /// @param powered  the picture to the power in which it is blurred
  BlurredTiles(const TileGrid& grid, const BlurModel& model, const cv::Mat& powered)
      : grid_(grid),
        exponent_(model.light_exponent),
        whole_(powered, model.f_number_per_um),
        half_(half_of(powered), model.f_number_per_um / 2.0) {}

  static cv::Mat half_of(const cv::Mat& picture) {
    cv::Mat half;
    cv::pyrDown(picture, half, {}, cv::BORDER_REFLECT);
    return half;
  }

  TileGrid grid_;
  double exponent_;
  Blur whole_, half_;
};

}  // namespace

GridPicture bring_to_grid(const LinearFrame& frame, const cv::Matx33d& grid_from_frame, double gain,
                          cv::Size size) {
  const cv::Matx23d m = grid_from_frame.inv().get_minor<2, 3>(0, 0);
  GridPicture out;
  // A long kernel: a short one would blur frames differently, by where they fall between pixels.
  out.luminance = resample(frame.luminance, m, size);
  if (gain != 1.0) out.luminance *= gain;
  constexpr double kSeen = 128.0;  // and 255 where it is clipped, too
  cv::Mat marks;
  cv::warpAffine(frame.clipped | kSeen, marks, m, size, cv::INTER_NEAREST | cv::WARP_INVERSE_MAP,
                 cv::BORDER_CONSTANT);
  out.seen = marks > 0.0;
  out.clipped = marks > kSeen;
  return out;
}

GridFrame measure_on_grid(LinearFrame frame, const cv::Matx33d& grid_from_frame, double gain,
                          const TileGrid& grid) {
  GridFrame out{.picture = bring_to_grid(frame, grid_from_frame, gain, grid.size),
                .sharpness = {},
                .tiles = {}};
  const cv::Size frame_size = frame.luminance.size();
  frame = {};  // a tenth of all that is held at this time
  BandEnergies bands = band_energies(out.picture.luminance, grid);
  out.tiles.gain = gain;
  out.tiles.energy = bands.tiles;
  // About as wide as a tile: a narrower window takes what noise makes sharp, from frame after
  // frame. So wide, every second px tells it.
  constexpr int kWindow = 7;
  out.sharpness = bands.finest;
  for (int i = 0; i < 2; ++i)
    cv::boxFilter(out.sharpness, out.sharpness, CV_32F, {kWindow, kWindow}, {-1, -1}, true,
                  cv::BORDER_REFLECT);
  out.tiles.level = tile_means(out.picture.luminance, grid, grid.tile_px);
  out.tiles.valid = tiles_inside(grid, grid_from_frame.inv(), frame_size);
  out.tiles.clipped = tile_means(out.picture.clipped, grid, grid.tile_px) > 0.02 * 255.0;
  return out;
}

Mosaic empty_mosaic(const TileGrid& grid) {
  const cv::Size half = half_size(grid.size);
  return {cv::Mat(grid.size, CV_32FC1, cv::Scalar(0)), cv::Mat(half, CV_32FC1, cv::Scalar(-1)),
          cv::Mat(half, CV_16SC1, cv::Scalar(-1))};
}

void merge_into(Mosaic& mosaic, const GridFrame& frame, std::size_t frame_index) {
  const auto k = static_cast<short>(frame_index);
  const cv::Size size = mosaic.luminance.size();
  for (int y = 0; y < mosaic.frame.rows; ++y) {
    float* best = mosaic.sharpness.ptr<float>(y);
    short* who = mosaic.frame.ptr<short>(y);
    const float* sharpness = frame.sharpness.ptr<float>(y);
    for (int x = 0; x < mosaic.frame.cols; ++x) {
      const bool wins = sharpness[x] > best[x] || (sharpness[x] == best[x] && k < who[x]);
      if (!wins) continue;
      best[x] = sharpness[x];
      who[x] = k;
      for (int py = 2 * y; py < std::min(2 * y + 2, size.height); ++py)
        for (int px = 2 * x; px < std::min(2 * x + 2, size.width); ++px)
          mosaic.luminance.at<float>(py, px) = frame.picture.luminance.at<float>(py, px);
    }
  }
}

cv::Mat disc_kernel(double diameter_px) {
  if (diameter_px <= 0.0) return cv::Mat::ones(1, 1, CV_32F);
  // The picture stands for what lies between its pixels too, so the disc is integrated against the
  // interpolating kernel (sinc, Lanczos window), not summed over pixel squares: those would add
  // their own blur (1/12 px^2 per axis, as much as a disc of 1.15 px).
  constexpr int kLobes = 5, kSub = 8;
  const auto interpolate = [](double x) {
    if (std::abs(x) < 1e-9) return 1.0;
    if (std::abs(x) >= kLobes) return 0.0;
    const double a = CV_PI * x, b = a / kLobes;
    return std::sin(a) / a * std::sin(b) / b;
  };
  const double r = diameter_px / 2.0;
  const int radius = static_cast<int>(std::ceil(r)) + kLobes - 1;
  const int samples = static_cast<int>(std::ceil(diameter_px * kSub)) + 16;
  // Chords of the disc along x, projected on the pixel columns, then spread along y.
  cv::Mat kernel = cv::Mat::zeros(2 * radius + 1, 2 * radius + 1, CV_64F);
  std::vector<double> row(static_cast<std::size_t>(2 * radius + 1));
  for (int i = 0; i < samples; ++i) {
    const double y = -r + diameter_px * (i + 0.5) / samples;
    const double half = std::sqrt(std::max(0.0, r * r - y * y));
    std::ranges::fill(row, 0.0);
    for (int j = 0; j < samples; ++j) {
      const double x = -half + 2.0 * half * (j + 0.5) / samples;
      for (int c = -radius; c <= radius; ++c)
        row[static_cast<std::size_t>(c + radius)] += half * interpolate(c - x);
    }
    for (int v = -radius; v <= radius; ++v) {
      const double w = interpolate(v - y);
      if (w == 0.0) continue;
      for (int c = 0; c <= 2 * radius; ++c)
        kernel.at<double>(v + radius, c) += w * row[static_cast<std::size_t>(c)];
    }
  }
  kernel /= cv::sum(kernel)[0];
  kernel.convertTo(kernel, CV_32F);
  return kernel;
}

BlurCurves measure_blur_curves(const cv::Mat& mosaic, const TileGrid& grid, const ForEach& for_each,
                               const BlurModel& model) {
  BlurCurves curves{.f_number_per_um = model.f_number_per_um};
  // Each costs as much as a frame; between them log energy is taken as linear in d^2.
  curves.diameter_px = {0.0, 0.8, 1.2, 1.7, 2.2,  2.8,  3.4,  4.0,
                        5.0, 6.0, 7.5, 9.0, 11.0, 14.0, 18.0, 24.0};
  const std::size_t count = curves.diameter_px.size();
  curves.energy.resize(count);
  curves.noise.resize(count);
  cv::Mat noise(256, 256, CV_32FC1);
  cv::RNG random(20240614);  // any seed: only ratios of its energies are used
  random.fill(noise, cv::RNG::NORMAL, 0.0, 1.0);
  const TileGrid noise_grid{.size = noise.size(), .tile_px = 256};
  const BlurredTiles light(mosaic, grid, model);
  const BlurredTiles alone(noise, noise_grid, {.f_number_per_um = model.f_number_per_um});
  constexpr std::size_t kWhole = 7;  // of the diameters; from 4 px on the half is enough
  std::vector<TileEnergies> left(count);
  for_each(kWhole, [&](std::size_t d) {
    curves.energy[d] = light.whole(curves.diameter_px[d]);
    left[d] = alone.whole(curves.diameter_px[d]);
  });
  // Tile by tile both ways differ by some per cent of the finest band, whatever the blur, because
  // tiles reach a little farther in larger px: one diameter is measured both ways and tells it.
  const double both_px = curves.diameter_px[kWhole - 1];
  const TileEnergies light_share = shares(curves.energy[kWhole - 1], light.half(both_px));
  const TileEnergies left_share = shares(left[kWhole - 1], alone.half(both_px));
  for_each(count - kWhole, [&](std::size_t i) {
    const std::size_t d = kWhole + i;
    curves.energy[d] = times(light.half(curves.diameter_px[d]), light_share);
    left[d] = times(alone.half(curves.diameter_px[d]), left_share);
  });
  for (std::size_t d = 0; d < count; ++d)
    for (std::size_t j = 0; j < kNumBands; ++j) curves.noise[d][j] = left[d][j].at<float>(0, 0);
  for (std::size_t d = count; d-- > 0;)
    for (std::size_t j = 0; j < kNumBands; ++j) curves.noise[d][j] /= curves.noise[0][j];
  return curves;
}

NoiseFloor find_noise_floor(std::span<const TileMeasures> frames, const TileGrid& grid) {
  NoiseFloor least{};
  least.fill(std::numeric_limits<double>::max());
  for (const TileMeasures& frame : frames) {
    if (frame.level.empty()) continue;
    for (std::size_t j = 0; j < kNumBands; ++j) {
      std::vector<float> ratio;
      for (int r = 0; r < grid.rows(); ++r)
        for (int c = 0; c < grid.cols(); ++c)
          if (frame.valid.at<uchar>(r, c))
            ratio.push_back(static_cast<float>(frame.energy[j].at<float>(r, c) /
                                               (frame.level.at<float>(r, c) + kReadLevel)));
      if (!ratio.empty())
        least[j] = std::min(least[j], quantile_in_place(ratio, 0.05) / frame.gain);
    }
  }
  return least;
}

Profiles collect_profiles(std::span<const TileMeasures> frames, const BlurCurves& curves,
                          const TileGrid& grid, double full_px_per_px,
                          const ProfileOptions& options) {
  Profiles profiles{.num_frames = frames.size(),
                    .grid = grid,
                    .full_px_per_px = full_px_per_px,
                    .f_number_per_um = curves.f_number_per_um * full_px_per_px};
  for (const double d : curves.diameter_px) profiles.diameter_px.push_back(d * full_px_per_px);
  const std::size_t n = frames.size();

  const NoiseFloor least =
      options.noise_floor ? *options.noise_floor : find_noise_floor(frames, grid);
  for (int r = 0; r < grid.rows(); ++r) {
    for (int c = 0; c < grid.cols(); ++c) {
      TileProfile tile{.row = r, .col = c};
      std::size_t seen = 0;
      bool clipped = false;
      double peak = -1.0;
      for (std::size_t k = 0; k < n; ++k) {
        if (frames[k].level.empty() || !frames[k].valid.at<uchar>(r, c)) continue;
        ++seen;
        clipped = clipped || frames[k].clipped.at<uchar>(r, c);
        const double e = frames[k].energy[0].at<float>(r, c);
        if (e > peak) peak = e, tile.peak_frame = k;
      }
      if (clipped || seen < 4) continue;
      bool textured = true;
      for (std::size_t j = 0; j < kNumBands && textured; ++j) {
        const auto noise_at = [&](std::size_t k) {
          return least[j] * frames[k].gain * (frames[k].level.at<float>(r, c) + kReadLevel);
        };
        const double mosaic_noise = noise_at(tile.peak_frame);
        const double top = curves.energy[0][j].at<float>(r, c) - mosaic_noise;
        textured = top > options.min_contrast * mosaic_noise && top > 0.0;
        if (!textured) break;
        tile.contrast = top / std::max(mosaic_noise, 1e-12);
        tile.noise[j] = mosaic_noise / top;
        tile.energy[j].assign(n, -1.0F);
        float highest = 0.0F;
        for (std::size_t k = 0; k < n; ++k) {
          if (frames[k].level.empty() || !frames[k].valid.at<uchar>(r, c)) continue;
          const double e = (frames[k].energy[j].at<float>(r, c) - noise_at(k)) / top;
          tile.energy[j][k] = static_cast<float>(std::max(e, 0.0));
          highest = std::max(highest, tile.energy[j][k]);
        }
        // The mosaic is no picture that a camera took: where it changes frames, seams can pass for
        // texture, and where it lacks the tile's own coarse light it shows too little. A tile that
        // no frame shows about as the mosaic does is not explained by it.
        textured = highest >= options.min_shown && highest <= options.max_shown;
        if (!textured) break;
        double before = 0.0;
        for (std::size_t d = 0; d < curves.diameter_px.size(); ++d) {
          const double e = curves.energy[d][j].at<float>(r, c) - mosaic_noise * curves.noise[d][j];
          // Blur only takes away; the small rise that noise can feign is flattened.
          const double value = std::min(before, std::log(std::max(e / top, 1e-6)));
          tile.log_curve[j].push_back(static_cast<float>(value));
          before = value;
        }
      }
      if (textured) profiles.tiles.push_back(std::move(tile));
    }
  }
  return profiles;
}

}  // namespace ringsweep
