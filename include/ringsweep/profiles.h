#pragma once
/// Sharpness profiles: LinearFrame -> the energy of each tile in each band, on one grid for all.
///
/// A tile's profile over the frames, held against the same tile blurred by known discs, tells how
/// far each frame is out of focus there, in px (DESIGN section 3). Both are measured here, by the
/// same code, so that texture, demosaicing and sharpening in the camera cancel.

#include <array>
#include <cstddef>
#include <opencv2/core.hpp>
#include <optional>
#include <span>
#include <vector>

#include "ringsweep/for_each.h"
#include "ringsweep/frame.h"
#include "ringsweep/grid_picture.h"

namespace ringsweep {

/// Squared gradient after a Gaussian. Three bands: fine ones see small blur, coarse ones large.
/// Which sigmas: bench/accuracy; on the ray-traced bursts 0.8 px is worse than 1.2 (demosaicing,
/// noise and sub-pixel resampling show), and from 4 px on tiles see too much of their neighbours.
struct Band {
  double sigma_px = 0.0;  ///< of the Gaussian, px of `level`
  int level = 0;          ///< pyramid level: 0 working px, 1 half of that
};
inline constexpr std::size_t kNumBands = 3;
inline constexpr std::array<Band, kNumBands> kBands{{{1.2, 0}, {0.9, 1}, {1.5, 1}}};

/// Tiles on the burst's middle scale; `size` working px in all.
struct TileGrid {
  cv::Size size;     ///< of the grid's picture, working px
  int tile_px = 16;  ///< edge of a tile, working px; even
  [[nodiscard]] int rows() const { return size.height / tile_px; }
  [[nodiscard]] int cols() const { return size.width / tile_px; }
};

/// What the fit needs of one frame: small. Empty matrices for a frame that was not measured.
struct TileMeasures {
  std::array<cv::Mat, kNumBands> energy;  ///< CV_32FC1, grid rows x cols, mean over the tile
  cv::Mat level;                          ///< CV_32FC1, mean luminance of the tile
  double gain = 1.0;                      ///< that the luminance was multiplied by
  cv::Mat valid;    ///< CV_8UC1, 255 where the whole tile lies inside the frame
  cv::Mat clipped;  ///< CV_8UC1, 255 where more than 2 % of the tile is clipped
};

/// Brings a frame to the grid.
/// @param grid_from_frame similarity, working px of the frame -> working px of the grid.
/// @param gain multiplies the luminance (2^-gain_ev).
[[nodiscard]] GridPicture bring_to_grid(const LinearFrame& frame,
                                        const cv::Matx33d& grid_from_frame, double gain,
                                        cv::Size size);

/// One frame brought to the grid and measured.
struct GridFrame {
  GridPicture picture;
  cv::Mat sharpness;  ///< CV_32FC1, a value for 2 x 2 px: local energy of the finest band
  TileMeasures tiles;
};

/// Brings a frame to the grid and measures it. Parameters as for bring_to_grid().
[[nodiscard]] GridFrame measure_on_grid(LinearFrame frame, const cv::Matx33d& grid_from_frame,
                                        double gain, const TileGrid& grid);

/// The sharpest of all frames at each 2 x 2 px. Merging is commutative: ties go to the earlier
/// frame.
struct Mosaic {
  cv::Mat luminance;  ///< CV_32FC1, grid.size
  cv::Mat sharpness;  ///< CV_32FC1, a value for 2 x 2 px
  cv::Mat frame;      ///< CV_16SC1, the same; index of the frame, -1 where no frame reaches
};
[[nodiscard]] Mosaic empty_mosaic(const TileGrid& grid);
void merge_into(Mosaic& mosaic, const GridFrame& frame, std::size_t frame_index);

/// A disc of diameter `diameter_px`, of any size, for a band-limited picture: its transfer function
/// is 2 J1(pi d f) / (pi d f) up to 0.35 cycles a px (1 %). CV_32FC1, sum 1, odd square. Second
/// moment per axis d^2 / 16: the variance R^2 / 4 of a uniform disc.
[[nodiscard]] cv::Mat disc_kernel(double diameter_px);

/// What known blur does to each tile of the mosaic.
struct BlurCurves {
  std::vector<double> diameter_px{};  ///< D diameters in working px, rising, first 0
  /// energy[d][j]: CV_32FC1, rows x cols
  std::vector<std::array<cv::Mat, kNumBands>> energy{};
  /// noise[d][j]: energy left of white noise of energy 1 at diameter 0
  std::vector<std::array<double, kNumBands>> noise{};
  /// Of the wave model that they were measured with, 1 / um of working px; 0: discs.
  double f_number_per_um = 0.0;
};

/// How the mosaic is blurred.
struct BlurModel {
  /// Working f-number over pitch, 1 / um, of the mosaic's own pixels: blurred as light waves do it.
  /// 0: not known, by geometric discs.
  double f_number_per_um = 0.0;
  /// Blur is done on the mosaic's light to this power, and undone, > 0. A camera's tone curve and
  /// sharpening come after the blur and are not linear in light: what a file gives as light is
  /// not what adds up where discs lie one upon the other. light_exponent.h finds the power.
  double light_exponent = 1.0;
};
[[nodiscard]] BlurCurves measure_blur_curves(const cv::Mat& mosaic, const TileGrid& grid,
                                             const ForEach& for_each = for_each_in_order,
                                             const BlurModel& model = {});

/// One tile's profile and its blur curve, in full-size px of the middle scale, noise taken off.
struct TileProfile {
  int row = 0, col = 0;
  std::size_t peak_frame = 0;  ///< where the tile is sharpest
  std::array<std::vector<float>, kNumBands>
      energy{};                           ///< N each, in units of the curve at 0; < 0: none
  std::array<double, kNumBands> noise{};  ///< sd of `energy` from noise alone
  std::array<std::vector<float>, kNumBands> log_curve{};  ///< D each, log of the curve, first 0
  double contrast = 0.0;  ///< peak energy over the noise floor, coarse band
};

struct Profiles {
  std::size_t num_frames = 0;
  std::vector<double> diameter_px{};  ///< D, full-size px
  std::vector<TileProfile> tiles{};   ///< only tiles with texture, unclipped, seen by enough frames
  TileGrid grid;
  double full_px_per_px = 1.0;
  double f_number_per_um = 0.0;  ///< of the curves' wave model, of full-size px; 0: discs
};

/// Energy that noise alone has, over the tile's light (and a little read noise), in a frame whose
/// light was not multiplied.
using NoiseFloor = std::array<double, kNumBands>;

/// Photon noise grows with the light. The dullest twentieth of a frame's tiles shows little else,
/// unless all of a frame is sharp: then another frame knows better.
/// @param frames as for collect_profiles()
[[nodiscard]] NoiseFloor find_noise_floor(std::span<const TileMeasures> frames,
                                          const TileGrid& grid);

struct ProfileOptions {
  double min_contrast = 8.0;  ///< peak over noise floor (energy); below, a tile is noise
  double min_shown = 0.4;     ///< its sharpest frame's energy against the mosaic's, at least this
  double max_shown = 1.6;     ///< and at most this; ours, no source: see bench/accuracy
  std::optional<NoiseFloor> noise_floor{};  ///< where not all tiles are there that tell it
};

/// @param frames N, capture order; empty for frames that were not measured.
[[nodiscard]] Profiles collect_profiles(std::span<const TileMeasures> frames,
                                        const BlurCurves& curves, const TileGrid& grid,
                                        double full_px_per_px, const ProfileOptions& options = {});

}  // namespace ringsweep
