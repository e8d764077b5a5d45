#include "ringsweep/tile_shifts.h"

#include <Eigen/Core>
#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <optional>

#include "numerics/quantile.h"
#include "ringsweep/block_means.h"

namespace ringsweep {
namespace {

constexpr int kCellPx = 8;               // of every level; a window is 3 x 3 cells
constexpr double kSmoothPx = 1.0;        // Gaussian before all: gradients of what is sampled well
constexpr double kBaseVariance = 1.2;    // that it has then, px^2: the picture's own edge and this
constexpr double kSharpestBlurPx = 5.0;  // of a tile compared at level 0; twice that each level up
constexpr double kMostBlurPx = kSharpestBlurPx * (1 << (kShiftLevels - 1));
constexpr double kAlikeBlurPx = 10.0;  // the same where both are blurred nearly alike
/// Neighbouring px are alike after smoothing: so many tell as much as one.
constexpr double kPxPerSample = 4.0 * CV_PI * kSmoothPx * kSmoothPx;

constexpr std::size_t kUnknowns = 5;  // offset, gain, blur, shift in x and in y
constexpr std::size_t kTerms = kUnknowns + 1;
constexpr std::size_t kMoments = kTerms * (kTerms + 1) / 2;

/// Sums of products of (1, S, Laplacian, -S_x, -S_y, D), upper triangle row by row.
using Moments = std::array<double, kMoments>;
constexpr std::array<std::array<std::size_t, kTerms>, kTerms> kAt = [] {
  std::array<std::array<std::size_t, kTerms>, kTerms> at{};
  std::size_t next = 0;
  for (std::size_t i = 0; i < kTerms; ++i)
    for (std::size_t j = i; j < kTerms; ++j) at[i][j] = at[j][i] = next++;
  return at;
}();

void add(Moments& to, const Moments& m, double weight) {
  for (std::size_t i = 0; i < kMoments; ++i) to[i] += weight * m[i];
}

/// Of one window, in px of its level.
struct Solved {
  bool known = false;
  cv::Vec2d shift{};
  cv::Matx22d information{};  // for a scatter of 1
  double before = 0.0;        // mean squares
  double after = 0.0;
};

Solved solve(const Moments& moments) {
  constexpr double kLeastPx = 60.0;
  const double weight = moments[kAt[0][0]];
  if (weight < kLeastPx) return {};
  // Gaussian elimination of offset, gain and blur leaves the shift's own normal equations.
  std::array<std::array<double, kTerms>, kTerms> a{};
  for (std::size_t i = 0; i < kTerms; ++i)
    for (std::size_t j = 0; j < kTerms; ++j) a[i][j] = moments[kAt[i][j]];
  for (std::size_t p = 0; p < 3; ++p) {
    const double pivot = a[p][p] * (1.0 + 1e-6) + 1e-12;
    for (std::size_t i = p + 1; i < kTerms; ++i) {
      const double factor = a[i][p] / pivot;
      for (std::size_t j = p + 1; j < kTerms; ++j) a[i][j] -= factor * a[p][j];
    }
  }
  const double xx = a[3][3], xy = a[3][4], yy = a[4][4];
  const double det = xx * yy - xy * xy;
  Solved s;
  if (!(xx + yy > 0.0)) return s;
  // Where an edge tells one direction only, the other stays where it is.
  const double ridge = 1e-3 * (xx + yy);
  const double dxx = xx + ridge, dyy = yy + ridge, ddet = dxx * dyy - xy * xy;
  if (!(ddet > 0.0) || !(det > -1e-9)) return s;
  s.shift = {(dyy * a[3][5] - xy * a[4][5]) / ddet, (dxx * a[4][5] - xy * a[3][5]) / ddet};
  s.information = {xx, xy, xy, yy};
  s.before = std::max(0.0, a[5][5]) / weight;
  s.after = std::max(0.0, a[5][5] - s.shift[0] * a[3][5] - s.shift[1] * a[4][5]) / weight;
  s.known = true;
  return s;
}

/// Sums over the px of a cell, each column by itself, so that 4 columns may be summed at once.
using CellSums = std::array<float, kMoments* static_cast<std::size_t>(kCellPx)>;

/// Adds the products of one row of a cell's px. All pointers at the row's first px.
void add_row(const float* s_above, const float* s, const float* s_below, const float* d,
             const float* m, CellSums& sums) {
  for (std::size_t x = 0; x < kCellPx; ++x) {
    const float weight = m[x], difference = d[x];
    const float* at = s + x;
    const float laplacian = at[-1] + at[1] + s_above[x] + s_below[x] - 4.0F * at[0];
    const std::array<float, kTerms> term{
        1.0F,      at[0], laplacian, 0.5F * (at[-1] - at[1]), 0.5F * (s_above[x] - s_below[x]),
        difference};
    std::size_t next = x;
    for (std::size_t i = 0; i < kTerms; ++i)
      for (std::size_t j = i; j < kTerms; ++j) {
        sums[next] += weight * term[i] * term[j];
        next += kCellPx;
      }
  }
}

Moments total(const CellSums& sums) {
  Moments m{};
  for (std::size_t i = 0; i < kMoments; ++i)
    for (std::size_t x = 0; x < kCellPx; ++x) m[i] += static_cast<double>(sums[i * kCellPx + x]);
  return m;
}

constexpr double kOfMasks = 1.0 / (255.0 * 255.0);  // a product of two of them, as a weight

/// Moments of every cell of a level, with the two pictures as they lie.
struct CellGrid {
  int rows = 0, cols = 0;
  std::vector<Moments> cells;
  [[nodiscard]] const Moments& at(int r, int c) const {
    return cells[static_cast<std::size_t>(r) * static_cast<std::size_t>(cols) +
                 static_cast<std::size_t>(c)];
  }
};

/// @param wanted  CV_8UC1, a px a cell: only windows about these are needed.
CellGrid cell_moments(const cv::Mat& a, const cv::Mat& b, const cv::Mat& mask_a,
                      const cv::Mat& mask_b, const cv::Mat& wanted) {
  CellGrid grid{.rows = a.rows / kCellPx, .cols = a.cols / kCellPx, .cells = {}};
  grid.cells.assign(static_cast<std::size_t>(grid.rows) * static_cast<std::size_t>(grid.cols), {});
  cv::Mat sum, difference, mask;
  cv::addWeighted(a, 0.5 / kShiftRoot, b, 0.5 / kShiftRoot, 0.0, sum, CV_32F);
  cv::copyMakeBorder(sum, sum, 1, 1, 1, 1, cv::BORDER_REPLICATE);
  cv::addWeighted(b, 1.0 / kShiftRoot, a, -1.0 / kShiftRoot, 0.0, difference, CV_32F);
  cv::multiply(mask_a, mask_b, mask, kOfMasks, CV_32F);
  cv::Mat needed;
  cv::dilate(wanted, needed, cv::Mat::ones(3, 3, CV_8U));
  for (int r = 0; r < grid.rows; ++r) {
    for (int c = 0; c < grid.cols; ++c) {
      if (needed.at<std::uint8_t>(r, c) == 0) continue;
      const int x = c * kCellPx;
      CellSums sums{};
      for (int y = r * kCellPx; y < (r + 1) * kCellPx; ++y)
        add_row(sum.ptr<float>(y) + 1 + x, sum.ptr<float>(y + 1) + 1 + x,
                sum.ptr<float>(y + 2) + 1 + x, difference.ptr<float>(y) + x, mask.ptr<float>(y) + x,
                sums);
      grid.cells[static_cast<std::size_t>(r) * static_cast<std::size_t>(grid.cols) +
                 static_cast<std::size_t>(c)] = total(sums);
    }
  }
  return grid;
}

/// 3 x 3 cells, the middle one counted fully, edges half, corners a quarter.
Moments window_of(const CellGrid& grid, int row, int col) {
  Moments sum{};
  for (int i = -1; i <= 1; ++i)
    for (int j = -1; j <= 1; ++j) {
      const int r = row + i, c = col + j;
      if (r < 0 || c < 0 || r >= grid.rows || c >= grid.cols) continue;
      add(sum, grid.at(r, c), (i == 0 ? 1.0 : 0.5) * (j == 0 ? 1.0 : 0.5));
    }
  return sum;
}

/// Bilinear, of a patch of (edge + 2)^2 px about a window whose corner is at (x, y), moved.
constexpr int kWindowPx = 3 * kCellPx;
constexpr int kPatchPx = kWindowPx + 2;
using Patch = std::array<float, static_cast<std::size_t>(kPatchPx* kPatchPx)>;

/// @tparam T  of a px
template <class T>
bool cut_patch(const cv::Mat& picture, double x, double y, Patch& out) {
  const int ix = cvFloor(x), iy = cvFloor(y);
  if (ix < 0 || iy < 0 || ix + kPatchPx >= picture.cols || iy + kPatchPx >= picture.rows)
    return false;
  const auto fx = static_cast<float>(x - ix), fy = static_cast<float>(y - iy);
  for (int r = 0; r < kPatchPx; ++r) {
    const T* p = picture.ptr<T>(iy + r) + ix;
    const T* q = picture.ptr<T>(iy + r + 1) + ix;
    float* o = out.data() + r * kPatchPx;
    for (int c = 0; c < kPatchPx; ++c) {
      const auto p0 = static_cast<float>(p[c]), p1 = static_cast<float>(p[c + 1]);
      const auto q0 = static_cast<float>(q[c]), q1 = static_cast<float>(q[c + 1]);
      const float top = p0 + fx * (p1 - p0);
      const float bottom = q0 + fx * (q1 - q0);
      o[c] = top + fy * (bottom - top);
    }
  }
  return true;
}

/// Two pictures of one level.
struct LevelPair {
  const cv::Mat& a;
  const cv::Mat& b;
  const cv::Mat& mask_a;
  const cv::Mat& mask_b;
};

/// One step of Gauss-Newton from a shift: half of it taken off each picture.
std::optional<Solved> step_from(const LevelPair& pair, int row, int col, const cv::Vec2d& shift) {
  Patch a, b, mask_a, mask_b, sum, difference, mask;
  const double x = (col - 1) * kCellPx - 1, y = (row - 1) * kCellPx - 1;
  const double hx = 0.5 * shift[0], hy = 0.5 * shift[1];
  if (!cut_patch<std::uint16_t>(pair.a, x - hx, y - hy, a) ||
      !cut_patch<std::uint16_t>(pair.b, x + hx, y + hy, b) ||
      !cut_patch<std::uint8_t>(pair.mask_a, x - hx, y - hy, mask_a) ||
      !cut_patch<std::uint8_t>(pair.mask_b, x + hx, y + hy, mask_b))
    return std::nullopt;
  constexpr auto kOfRoot = static_cast<float>(1.0 / kShiftRoot);
  for (std::size_t i = 0; i < a.size(); ++i) {
    sum[i] = 0.5F * kOfRoot * (a[i] + b[i]);
    difference[i] = kOfRoot * (b[i] - a[i]);
    mask[i] = static_cast<float>(kOfMasks) * mask_a[i] * mask_b[i];
  }
  Moments window{};
  for (int i = 0; i < 3; ++i)
    for (int j = 0; j < 3; ++j) {
      CellSums sums{};
      for (int r = 0; r < kCellPx; ++r) {
        const int at = (1 + i * kCellPx + r) * kPatchPx + 1 + j * kCellPx;
        add_row(sum.data() + at - kPatchPx, sum.data() + at, sum.data() + at + kPatchPx,
                difference.data() + at, mask.data() + at, sums);
      }
      add(window, total(sums), (i == 1 ? 1.0 : 0.5) * (j == 1 ? 1.0 : 0.5));
    }
  const Solved solved = solve(window);
  if (!solved.known) return std::nullopt;
  return solved;
}

constexpr double kFarPx = 12.0;  // of a level: half a window

/// Gauss-Newton from a start. Absent where it does not settle.
std::optional<Solved> settle(const LevelPair& pair, int row, int col, cv::Vec2d shift) {
  constexpr int kIterations = 10;
  constexpr double kSettledPx = 0.04, kLongestStepPx = 1.5;  // steps shrink at least threefold
  for (int i = 0; i < kIterations; ++i) {
    const auto step = step_from(pair, row, col, shift);
    if (!step) return std::nullopt;
    cv::Vec2d move = step->shift;
    const double length = cv::norm(move);
    if (length > kLongestStepPx) move *= kLongestStepPx / length;
    shift += move;
    if (cv::norm(shift) > kFarPx) return std::nullopt;
    if (length < kSettledPx) {
      Solved s = *step;
      s.shift = shift;
      return s;
    }
  }
  return std::nullopt;
}

/// How far a shift is beyond what the scatter explains, two degrees of freedom.
double chi_squared(const Solved& s) {
  const cv::Vec2d w = s.information * s.shift;
  return s.shift.dot(w) / (std::max(s.after, 1e-12) * kPxPerSample);
}

/// All windows of one level; `coarser`: those of the level above, or none.
struct LevelShifts {
  int rows = 0, cols = 0;
  std::vector<Solved> windows;
  [[nodiscard]] const Solved& at(int r, int c) const {
    return windows[static_cast<std::size_t>(r) * static_cast<std::size_t>(cols) +
                   static_cast<std::size_t>(c)];
  }
};

LevelShifts level_shifts(const LevelPair& pair, const cv::Mat& wanted, const LevelShifts* coarser) {
  constexpr double kSmallPx = 0.4;    // one step is right to a tenth
  constexpr double kSign = 4.0;       // chi squared
  constexpr double kLeastGain = 0.8;  // a farther place must fit so much better
  const CellGrid cells = cell_moments(pair.a, pair.b, pair.mask_a, pair.mask_b, wanted);
  LevelShifts out{.rows = cells.rows, .cols = cells.cols, .windows = {}};
  out.windows.resize(cells.cells.size());
  for (int r = 0; r < cells.rows; ++r)
    for (int c = 0; c < cells.cols; ++c) {
      if (wanted.at<std::uint8_t>(r, c) == 0) continue;
      Solved& best = out.windows[static_cast<std::size_t>(r * cells.cols + c)];
      best = solve(window_of(cells, r, c));
      if (!best.known) continue;
      const double before = best.before;
      // What may as well be nothing is left alone.
      if (cv::norm(best.shift) > kSmallPx && chi_squared(best) > kSign) {
        const auto settled = settle(pair, r, c, best.shift);
        if (settled) {
          best = *settled;
        } else {
          best.known = false;
        }
      }
      if (coarser != nullptr) {
        const int cr = std::min(r / 2, coarser->rows - 1), cc = std::min(c / 2, coarser->cols - 1);
        const Solved& hint = coarser->at(cr, cc);
        const cv::Vec2d start = 2.0 * hint.shift;
        if (hint.known && chi_squared(hint) > 0.5 * kSign && cv::norm(start) > 0.8 &&
            cv::norm(start) < kFarPx && (!best.known || cv::norm(start - best.shift) > 0.5)) {
          const auto settled = settle(pair, r, c, start);
          if (settled && (!best.known || settled->after < kLeastGain * best.after)) best = *settled;
        }
      }
      best.before = before;
    }
  return out;
}

/// Which level compares a tile that is blurred by these; -1: none.
int level_for(double blur_a_px, double blur_b_px) {
  const double most = std::max(blur_a_px, blur_b_px), least = std::min(blur_a_px, blur_b_px);
  const double apart = (most * most - least * least) / 16.0;
  for (int level = 0; level < kShiftLevels; ++level) {
    const double factor = 1 << level;
    const double base = kBaseVariance * factor * factor + least * least / 16.0;
    const double reach_px = apart <= 0.5 * base ? std::min(kAlikeBlurPx * factor, kMostBlurPx)
                                                : kSharpestBlurPx * factor;
    if (most <= reach_px && apart <= base) return level;
  }
  return -1;
}

}  // namespace

ShiftFrame prepare_for_shifts(const PackedPicture& picture, const TileGrid& grid) {
  constexpr int kNearClippedPx = 5;  // edge of the square that is left out
  ShiftFrame out;
  if (picture.values.empty()) return out;
  const int reduction = std::max(1, grid.tile_px / kCellPx);
  const cv::Size size(std::max(1, picture.values.cols / reduction),
                      std::max(1, picture.values.rows / reduction));
  cv::Mat root(size, CV_32FC1), good(size, CV_8UC1);
  constexpr int kRows = 64;  // strips: the whole picture is never held in four bytes a px
  for (int row = 0; row < size.height; row += kRows) {
    const cv::Range rows(row, std::min(size.height, row + kRows));
    const cv::Range from(reduction * rows.start,
                         std::min(picture.values.rows, reduction * rows.end));
    const GridPicture strip =
        unpack({.values = picture.values.rowRange(from), .gain = picture.gain});
    cv::Mat light;
    cv::sqrt(cv::max(strip.luminance, 0.0F), light);
    block_means(light, reduction).copyTo(root.rowRange(rows));
    const cv::Mat whole = block_means(strip.seen & ~strip.clipped, reduction) == 255;
    whole.copyTo(good.rowRange(rows));
  }
  cv::erode(good, good, cv::Mat::ones(kNearClippedPx, kNearClippedPx, CV_8U), {-1, -1}, 1,
            cv::BORDER_CONSTANT, cv::Scalar(0));
  cv::GaussianBlur(root, root, {}, kSmoothPx, kSmoothPx, cv::BORDER_REFLECT);
  out.levels.resize(kShiftLevels), out.masks.resize(kShiftLevels);
  for (std::size_t level = 0; level < kShiftLevels; ++level) {
    if (level > 0) {
      cv::pyrDown(root, root, {}, cv::BORDER_REFLECT);
      cv::resize(good, good, root.size(), 0, 0, cv::INTER_AREA);
    }
    root.convertTo(out.levels[level], CV_16U, kShiftRoot);
    out.masks[level] = good;  // resize() gives the next one memory of its own
  }
  return out;
}

std::vector<std::vector<TileShift>> measure_shifts(std::span<const ShiftFrame> frames,
                                                   std::span<const double> q_px,
                                                   std::span<const ShiftTile> tiles,
                                                   std::span<const FramePair> pairs,
                                                   const TileGrid& grid, double full_px_per_px,
                                                   const ForEach& for_each) {
  const double full_px = full_px_per_px * std::max(1, grid.tile_px / kCellPx);
  std::vector<std::vector<TileShift>> out(pairs.size());
  for_each(pairs.size(), [&](std::size_t p) {
    const ShiftFrame& a = frames[pairs[p].first];
    const ShiftFrame& b = frames[pairs[p].second];
    std::vector<TileShift>& shifts = out[p];
    shifts.resize(tiles.size());
    if (a.levels.empty() || b.levels.empty()) return;
    std::array<cv::Mat, kShiftLevels> wanted;
    for (int j = 0; j < kShiftLevels; ++j) {
      const cv::Mat& picture = a.levels[static_cast<std::size_t>(j)];
      wanted[static_cast<std::size_t>(j)] =
          cv::Mat::zeros(picture.rows / kCellPx, picture.cols / kCellPx, CV_8UC1);
    }
    int finest = kShiftLevels;
    for (std::size_t t = 0; t < tiles.size(); ++t) {
      const int level = level_for(std::abs(q_px[pairs[p].first] - tiles[t].q_px) / full_px,
                                  std::abs(q_px[pairs[p].second] - tiles[t].q_px) / full_px);
      shifts[t].level = static_cast<std::int8_t>(level);
      if (level < 0) continue;
      finest = std::min(finest, level);
      for (int j = level; j < kShiftLevels; ++j) {
        cv::Mat& w = wanted[static_cast<std::size_t>(j)];
        w.at<std::uint8_t>(std::min(tiles[t].row >> j, w.rows - 1),
                           std::min(tiles[t].col >> j, w.cols - 1)) = 255;
      }
    }
    std::array<LevelShifts, kShiftLevels> levels;
    for (int j = kShiftLevels - 1; j >= finest; --j) {
      const auto i = static_cast<std::size_t>(j);
      levels[i] = level_shifts({a.levels[i], b.levels[i], a.masks[i], b.masks[i]}, wanted[i],
                               j + 1 < kShiftLevels ? &levels[i + 1] : nullptr);
    }
    // A window that fits better than the usual noise fits by chance.
    std::array<double, kShiftLevels> usual{};
    for (int j = finest; j < kShiftLevels; ++j) {
      std::vector<double> after;
      for (const Solved& s : levels[static_cast<std::size_t>(j)].windows)
        if (s.known) after.push_back(s.after);
      usual[static_cast<std::size_t>(j)] = quantile_in_place(after, 0.3);
    }
    for (std::size_t t = 0; t < tiles.size(); ++t) {
      TileShift& shift = shifts[t];
      if (shift.level < 0) continue;
      const auto j = static_cast<std::size_t>(shift.level);
      const LevelShifts& level = levels[j];
      const Solved& s = level.at(std::min(tiles[t].row >> shift.level, level.rows - 1),
                                 std::min(tiles[t].col >> shift.level, level.cols - 1));
      if (!s.known) {
        shift.level = -1;
        continue;
      }
      const double px = full_px * (1 << shift.level);
      const double scatter = std::max(s.after, usual[j]) * kPxPerSample * px * px + 1e-12;
      shift.shift_px = {static_cast<float>(px * s.shift[0]), static_cast<float>(px * s.shift[1])};
      shift.information = {static_cast<float>(s.information(0, 0) / scatter),
                           static_cast<float>(s.information(0, 1) / scatter),
                           static_cast<float>(s.information(1, 1) / scatter)};
      shift.before = static_cast<float>(s.before);
      shift.after = static_cast<float>(s.after);
    }
  });
  return out;
}

}  // namespace ringsweep
