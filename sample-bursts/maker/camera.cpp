#include "maker/camera.h"

#include <tbb/blocked_range2d.h>
#include <tbb/enumerable_thread_specific.h>
#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <optional>
#include <stdexcept>
#include <tuple>
#include <vector>

#include "maker/disc.h"
#include "maker/pupil.h"

namespace ringsweep::maker {
namespace {

/// Four floats: light times alpha in red, green and blue, and alpha.
using Pixel = float __attribute__((vector_size(16)));

/// A sum of blur kernels as rows of level runs and the single weights beside them.
struct KernelRows {
  struct Run {
    int from = 0, to = -1;  ///< inclusive
    float weight = 0.0F;
  };
  struct Row {
    std::vector<Run> runs;
    std::vector<std::pair<int, float>> taps;
  };
  int reach = 0;
  std::vector<Row> rows;  ///< from -reach to reach

  KernelRows(PupilShape shape, const std::vector<WeightedDisc>& blur) {
    std::vector<cv::Mat> kernels;
    for (const WeightedDisc& disc : blur) {
      kernels.push_back(shape_kernel(shape, disc.radius_px));
      reach = std::max(reach, kernels.back().rows / 2);
    }
    rows.resize(static_cast<std::size_t>(2 * reach + 1));
    for (std::size_t k = 0; k < blur.size(); ++k) {
      add(kernels[k], static_cast<float>(blur[k].weight));
    }
    if (blur.size() > 1) {
      for (Row& row : rows) merge(row.taps);
    }
  }

 private:
  void add(const cv::Mat& kernel, float share) {
    const int own = kernel.rows / 2;
    const float level = kernel.at<float>(own, own);
    for (int y = 0; y < kernel.rows; ++y) {
      Row& row = rows[static_cast<std::size_t>(y - own + reach)];
      int from = 0, to = -1;
      for (int x = 0; x < kernel.cols; ++x) {
        const float weight = kernel.at<float>(y, x);
        if (weight >= level * 0.9999F) {
          if (to < from) from = x;
          to = x;
        } else if (weight > 0.0F) {
          row.taps.emplace_back(x - own, weight * share);
        }
      }
      if (to - from >= 4) {
        row.runs.push_back({from - own, to - own, level * share});
      } else {
        for (int x = from; x <= to; ++x) row.taps.emplace_back(x - own, level * share);
      }
    }
  }

  static void merge(std::vector<std::pair<int, float>>& taps) {
    std::ranges::sort(taps);
    std::size_t kept = 0;
    for (std::size_t i = 0; i < taps.size(); ++i) {
      if (kept > 0 && taps[kept - 1].first == taps[i].first) {
        taps[kept - 1].second += taps[i].second;
      } else {
        taps[kept++] = taps[i];
      }
    }
    taps.resize(kept);
  }
};

/// A layer's picture inside one tile of work.
struct Canvas {
  int width = 0, height = 0;
  std::vector<Pixel> pixels;

  void resize(int w, int h) {
    width = w;
    height = h;
    pixels.assign(static_cast<std::size_t>(w) * static_cast<std::size_t>(h), Pixel{});
  }
  [[nodiscard]] Pixel* row(int y) { return pixels.data() + static_cast<std::ptrdiff_t>(y) * width; }
  [[nodiscard]] const Pixel* row(int y) const {
    return pixels.data() + static_cast<std::ptrdiff_t>(y) * width;
  }
};

/// The next stretch of a row that holds anything, from `at` on: [first, second), empty at the end.
/// A slice of a surface is a thin contour, so most of its box is empty. Holes narrower than `join`
/// stay in it.
std::pair<int, int> next_stretch(const Pixel* row, int at, int end, int join) {
  const auto empty = [row](int x) { return row[x][3] == 0.0F; };
  while (at < end && empty(at)) ++at;
  int until = at;
  for (int x = at; x < end && x - until < join; ++x) {
    if (!empty(x)) until = x + 1;
  }
  return {at, until};
}

/// out += in convolved with the kernel, inside `where`; outside the canvas there is nothing, and
/// nothing without alpha.
void convolve(const Canvas& in, const KernelRows& blur, const cv::Rect& source,
              const cv::Rect& where, Canvas& out) {
  // What the pixels left of one sum up to, as far beyond both ends of a stretch as the kernel
  // looks.
  const int beyond = 2 * blur.reach + 1;
  std::vector<Pixel> sums(static_cast<std::size_t>(source.width + 1 + 2 * beyond));
  // Of one stretch of row y, [begin, end).
  const auto scatter = [&](const Pixel* row, int y, int begin, int end) {
    std::fill_n(sums.begin(), beyond + 1, Pixel{});
    Pixel* sum_to = sums.data() + (beyond - begin);
    for (int x = begin; x < end; ++x) sum_to[x + 1] = sum_to[x] + row[x];
    std::fill_n(sum_to + end + 1, beyond, sum_to[end]);
    const int first = std::max(where.y, y - blur.reach);
    const int last = std::min(where.y + where.height - 1, y + blur.reach);
    for (int target = first; target <= last; ++target) {
      // Kernels are their own mirror image: scattering row y to `target` and gathering are the
      // same.
      const KernelRows::Row& kernel = blur.rows[static_cast<std::size_t>(target - y + blur.reach)];
      Pixel* to = out.row(target);
      for (const KernelRows::Run& run : kernel.runs) {
        const int from = std::max(where.x, begin - run.to);
        const int until = std::min(where.x + where.width - 1, end - 1 - run.from);
        for (int x = from; x <= until; ++x) {
          to[x] += (sum_to[x + run.to + 1] - sum_to[x + run.from]) * run.weight;
        }
      }
      for (const auto& [offset, weight] : kernel.taps) {
        const int from = std::max(where.x, begin - offset);
        const int until = std::min(where.x + where.width - 1, end - 1 - offset);
        for (int x = from; x <= until; ++x) to[x] += row[x + offset] * weight;
      }
    }
  };
  const int end = source.x + source.width;
  for (int y = source.y; y < source.y + source.height; ++y) {
    const Pixel* row = in.row(y);
    for (auto [from, to] = next_stretch(row, source.x, end, beyond); from < to;
         std::tie(from, to) = next_stretch(row, to, end, beyond)) {
      scatter(row, y, from, to);
    }
  }
}

/// How much coarser a layer is blurred, and what that alone adds to the variance, raster px^2:
/// the mean over level^2 pixels (level^2 - 1) / 12 and the tent between them level^2 / 6.
struct Level {
  int step = 1;
  double added_variance = 0.0;
};

/// @param finest  raster px; detail as fine as this gets through the diffraction of the pupil
Level level_for(double radius, double finest = 0.0) {
  // Two and a half coarse pixels to a period are enough for what is left of it.
  const bool twice = radius > 16.0 || finest > 5.0, more = radius > 40.0 || finest > 10.0;
  const int step = more ? 4 : (twice ? 2 : 1);
  const double square = step * step;
  return {step, step == 1 ? 0.0 : (square - 1.0) / 12.0 + square / 6.0};
}

/// A slice of the scene's depth and its blur.
struct Slice {
  float from_px = 0.0F, to_px = 0.0F;
  double defocus_px = 0.0;  ///< of its middle against the focus
  double radius = 0.0;      ///< of the geometric disc, raster px
};

/// Cuts [low, high) at fixed focal positions, so that the slices are those of the scene: half a px
/// near the focus, one from 6 px of blur on, two from 14. Finer for a pupil wider than the
/// scene's.
std::vector<Slice> slices(double low, double high, double focus, const Pupil& pupil,
                          double raster_per_px) {
  const double factor = pupil.factor;
  double finest = 0.5;
  while (finest * factor > 0.75) finest /= 2.0;
  std::vector<Slice> cut;
  double from = 2.0 * std::floor(low / 2.0);
  while (from < high) {
    double width = finest;
    for (const double wide : {2.0, 1.0}) {
      const double away = std::min(std::abs(from - focus), std::abs(from + wide - focus)) * factor;
      const bool aligned = std::fmod(std::abs(from), wide) == 0.0;
      if (aligned && away > (wide == 2.0 ? 14.0 : 6.0) &&
          (from - focus) * (from + wide - focus) > 0) {
        width = wide;
        break;
      }
    }
    Slice slice{static_cast<float>(from), static_cast<float>(from + width)};
    slice.defocus_px = from + width / 2.0 - focus;
    slice.radius = std::abs(slice.defocus_px) * raster_per_px / 2.0 * factor;
    cut.push_back(slice);
    from += width;
  }
  return cut;
}

/// The blur of a slice: what of it is worked on which coarse raster.
struct SliceBlur {
  struct Part {
    int step = 1;
    KernelRows kernel;
    [[nodiscard]] int reach() const { return step == 1 ? kernel.reach : step * (kernel.reach + 2); }
  };
  std::vector<Part> parts;
  int reach = 0;  ///< raster px

  /// @param channel  of the light
  SliceBlur(const Slice& slice, const Pupil& pupil, double raster_per_px, int channel) {
    const double finest = pupil.lambda_n_px[static_cast<std::size_t>(channel)] * raster_per_px;
    const double share = pupil.shape == PupilShape::hexagonal ? kHexagonVariance : 0.25;
    const auto blur = blur_of(pupil, slice.defocus_px, raster_per_px, channel);
    for (const int step : {1, 2, 4}) {
      std::vector<WeightedDisc> discs;
      for (const WeightedDisc& disc : blur) {
        const Level level = level_for(disc.radius_px, finest);
        if (level.step != step) continue;
        // Radius of the disc whose variance is what coarse work has not added already.
        const double rest =
            std::max(0.0, disc.radius_px * disc.radius_px - level.added_variance / share);
        discs.push_back({std::sqrt(rest) / step, disc.weight});
      }
      if (discs.empty()) continue;
      parts.push_back({step, KernelRows(pupil.shape, discs)});
      reach = std::max(reach, parts.back().reach());
    }
  }
};
using Blurs = std::vector<SliceBlur>;

/// What is seen of one raster pixel, gathered from near to far. What follows slice by slice is one
/// surface: its parts add up, each to the discs that reach the pixel, until nothing is left to
/// hide. What comes after a hole in depth is another surface, and shows as far as the one before
/// lets light through.
struct Stack {
  Pixel light{};            ///< of the surfaces that are complete; the fourth is what they hide
  Pixel surface{};          ///< light and alpha of the one at hand
  float seen_to_px = 0.0F;  ///< where its last slice ends
  float reach = 0.0F;       ///< of its largest disc

  /// @param interior  how far the nearest edge of what is in front is, raster px
  void add(const Pixel& light_of_slice, const Slice& slice, float interior) {
    if (surface[3] > 0.0F && seen_to_px - slice.to_px > kCloseBehindPx) close(interior);
    surface += light_of_slice * std::min(1.0F, (1.0F - surface[3]) / light_of_slice[3]);
    seen_to_px = slice.from_px;
    reach = std::max(reach, static_cast<float>(slice.radius));
  }
  /// A slanted surface's discs do not quite add up to one, since their sizes differ. Where it
  /// reaches farther than they do, nothing can be seen through it.
  void close(float interior) {
    constexpr float kNearlyWhole = 0.5F;
    if (surface[3] > 0.0F) {
      const bool whole = interior > reach + 1.0F && surface[3] > kNearlyWhole;
      light += surface * ((1.0F - light[3]) * (whole ? 1.0F / surface[3] : 1.0F));
    }
    surface = Pixel{};
    reach = 0.0F;
  }
};

/// What is needed again and again while tiles are worked through by one thread.
struct Workspace {
  Canvas layer, blur, coarse, coarse_blur;
  std::vector<Stack> stacks;  ///< of the area, row by row
  cv::Mat interior;           ///< of the area, see Scene
};

/// Blurs `layer` inside `source` on a coarse raster and hands every pixel of `where` to `use`.
template <class Use>
void blur_coarsely(Workspace& work, const cv::Rect& source, const SliceBlur::Part& part,
                   const cv::Rect& where, Use use) {
  const int step = part.step;
  // Coarse grid of the whole canvas, aligned with its upper left corner.
  const int wide = work.layer.width / step + 1, high = work.layer.height / step + 1;
  work.coarse.resize(wide, high);
  work.coarse_blur.resize(wide, high);
  const float share = 1.0F / static_cast<float>(step * step);
  for (int y = source.y; y < source.y + source.height; ++y) {
    const Pixel* row = work.layer.row(y);
    Pixel* to = work.coarse.row(y / step);
    for (int x = source.x; x < source.x + source.width; ++x) to[x / step] += row[x] * share;
  }
  const cv::Rect canvas(0, 0, wide, high);
  const auto coarse_box = [&](const cv::Rect& box, int more) {
    const cv::Point low(box.x / step - more, box.y / step - more);
    const cv::Point end((box.x + box.width - 1) / step + 1 + more,
                        (box.y + box.height - 1) / step + 1 + more);
    return cv::Rect(low, end) & canvas;
  };
  convolve(work.coarse, part.kernel, coarse_box(source, 0), coarse_box(where, 1), work.coarse_blur);
  const auto scale = 1.0F / static_cast<float>(step);
  for (int y = where.y; y < where.y + where.height; ++y) {
    const float fy = (static_cast<float>(y) + 0.5F) * scale - 0.5F;
    const int y0 = std::clamp(static_cast<int>(std::floor(fy)), 0, high - 2);
    const float ty = std::clamp(fy - static_cast<float>(y0), 0.0F, 1.0F);
    const Pixel* above = work.coarse_blur.row(y0);
    const Pixel* below = work.coarse_blur.row(y0 + 1);
    for (int x = where.x; x < where.x + where.width; ++x) {
      const float fx = (static_cast<float>(x) + 0.5F) * scale - 0.5F;
      const int x0 = std::clamp(static_cast<int>(std::floor(fx)), 0, wide - 2);
      const float tx = std::clamp(fx - static_cast<float>(x0), 0.0F, 1.0F);
      use(x, y,
          (above[x0] * (1.0F - tx) + above[x0 + 1] * tx) * (1.0F - ty) +
              (below[x0] * (1.0F - tx) + below[x0 + 1] * tx) * ty);
    }
  }
}

/// Blurs `layer` inside `source` and adds it to the stacks of the area `inner`.
void stack_up(Workspace& work, const cv::Rect& source, const SliceBlur& blur, const Slice& slice,
              const cv::Rect& inner) {
  const auto reached = [&](int reach) {
    return cv::Rect(source.x - reach, source.y - reach, source.width + 2 * reach,
                    source.height + 2 * reach) &
           inner;
  };
  const cv::Rect where = reached(blur.reach);
  if (where.empty()) return;
  const auto add = [&](int x, int y, const Pixel& p) {
    constexpr float kNothing = 1e-12F;
    if (p[3] <= kNothing) return;
    const int column = x - inner.x, row = y - inner.y;
    work.stacks[static_cast<std::size_t>(row * inner.width + column)].add(
        p, slice, work.interior.at<float>(row, column));
  };
  if (blur.parts.size() == 1 && blur.parts[0].step > 1) {
    blur_coarsely(work, source, blur.parts[0], where, add);
    return;
  }
  for (int y = where.y; y < where.y + where.height; ++y) {
    std::fill_n(work.blur.row(y) + where.x, where.width, Pixel{});
  }
  for (const SliceBlur::Part& part : blur.parts) {
    const cv::Rect there = reached(part.reach());
    if (there.empty()) continue;
    if (part.step == 1) {
      convolve(work.layer, part.kernel, source, there, work.blur);
    } else {
      blur_coarsely(work, source, part, there,
                    [&work](int x, int y, const Pixel& p) { work.blur.row(y)[x] += p; });
    }
  }
  for (int y = where.y; y < where.y + where.height; ++y) {
    const Pixel* row = work.blur.row(y);
    for (int x = where.x; x < where.x + where.width; ++x) add(x, y, row[x]);
  }
}

/// Blurs everything that is seen inside one rectangle of the raster and lays it over the picture.
void work_through(const Scene& scene, const cv::Rect& area, int halo, const std::vector<Slice>& cut,
                  const Blurs& blurs, Workspace& work, cv::Mat& picture) {
  const cv::Rect raster(0, 0, scene.width, scene.height);
  const cv::Rect outer(cv::Point(area.x - halo, area.y - halo),
                       cv::Point(area.x + area.width + halo, area.y + area.height + halo));
  const cv::Rect seen = outer & raster;
  std::vector<const std::vector<Fragment>*> tiles;
  for (int ty = seen.y / Scene::kTile; ty <= (seen.y + seen.height - 1) / Scene::kTile; ++ty) {
    for (int tx = seen.x / Scene::kTile; tx <= (seen.x + seen.width - 1) / Scene::kTile; ++tx) {
      const auto& tile = scene.tiles[static_cast<std::size_t>(ty * scene.tiles_across + tx)];
      if (!tile.empty()) tiles.push_back(&tile);
    }
  }
  if (tiles.empty()) return;
  work.layer.resize(outer.width, outer.height);
  work.blur.resize(outer.width, outer.height);
  const cv::Rect inner(halo, halo, area.width, area.height);
  work.stacks.assign(static_cast<std::size_t>(area.area()), Stack{});
  work.interior = scene.interior(area);

  for (std::size_t s = cut.size(); s-- > 0;) {
    const Slice& slice = cut[s];
    const auto from_slice = [&slice](const std::vector<Fragment>& tile) {
      return std::ranges::lower_bound(tile, slice.from_px, {}, &Fragment::q_px);
    };
    const bool any = std::ranges::any_of(tiles, [&](const auto* tile) {
      const auto first = from_slice(*tile);
      return first != tile->end() && first->q_px < slice.to_px;
    });
    if (!any) continue;
    int left = outer.width, top = outer.height, right = -1, bottom = -1;
    for (const auto* tile : tiles) {
      for (auto f = from_slice(*tile); f != tile->end() && f->q_px < slice.to_px; ++f) {
        const int x = f->x - outer.x, y = f->y - outer.y;
        if (x < 0 || y < 0 || x >= outer.width || y >= outer.height) continue;
        const Pixel light{f->rgb[0] * f->alpha, f->rgb[1] * f->alpha, f->rgb[2] * f->alpha,
                          f->alpha};
        // What is near comes last; of what is farther as much stays as there is room for.
        Pixel& held = work.layer.row(y)[x];
        if (held[3] > 1.0F - f->alpha) held *= (1.0F - f->alpha) / held[3];
        held += light;
        left = std::min(left, x);
        right = std::max(right, x);
        top = std::min(top, y);
        bottom = std::max(bottom, y);
      }
    }
    if (right < left) continue;
    const cv::Rect source(left, top, right - left + 1, bottom - top + 1);
    stack_up(work, source, blurs[s], slice, inner);
    for (int y = source.y; y < source.y + source.height; ++y) {
      std::fill_n(work.layer.row(y) + source.x, source.width, Pixel{});
    }
  }
  for (int y = 0; y < area.height; ++y) {
    auto* seen_row = picture.ptr<cv::Vec3f>(area.y + y) + area.x;
    for (int x = 0; x < area.width; ++x) {
      Stack& stack = work.stacks[static_cast<std::size_t>(y * area.width + x)];
      stack.close(work.interior.at<float>(y, x));
      const float through = 1.0F - stack.light[3];
      for (int c = 0; c < 3; ++c) seen_row[x][c] = seen_row[x][c] * through + stack.light[c];
    }
  }
}

/// A veil blurred on its own coarse raster, then brought to the size of the raster.
cv::Mat blurred_veil(const Veil& veil, const Scene& scene, double focus_q_px, const Pupil& pupil,
                     int channel) {
  auto blur = blur_of(pupil, veil.q_px - focus_q_px, scene.raster_per_px, channel);
  for (WeightedDisc& disc : blur) disc.radius_px /= veil.reduction;
  cv::Mat soft;
  cv::filter2D(veil.rgba, soft, CV_32F, sum_kernel(pupil.shape, blur), {-1, -1}, 0.0,
               cv::BORDER_REPLICATE);
  cv::Mat full;
  cv::resize(soft, full, {soft.cols * veil.reduction, soft.rows * veil.reduction}, 0, 0,
             cv::INTER_LINEAR);
  return full(cv::Rect(0, 0, scene.width, scene.height));
}

/// All three channels with the blur of one.
cv::Mat blurred_as(const Scene& scene, double focus_q_px, const Pupil& pupil, int channel) {
  cv::Mat picture(scene.height, scene.width, CV_32FC3, cv::Scalar::all(0.0));
  if (!scene.background.rgba.empty()) {
    cv::cvtColor(blurred_veil(scene.background, scene, focus_q_px, pupil, channel), picture,
                 cv::COLOR_RGBA2RGB);
  }

  float low = 0.0F, high = 0.0F;
  bool any = false;
  for (const auto& tile : scene.tiles) {
    if (tile.empty()) continue;
    low = any ? std::min(low, tile.front().q_px) : tile.front().q_px;
    high = any ? std::max(high, tile.back().q_px) : tile.back().q_px;
    any = true;
  }
  if (any) {
    const auto cut =
        slices(low, std::nextafter(high, 1e9F), focus_q_px, pupil, scene.raster_per_px);
    std::vector<std::optional<SliceBlur>> made(cut.size());
    tbb::parallel_for(std::size_t{0}, cut.size(), [&](std::size_t s) {
      made[s].emplace(cut[s], pupil, scene.raster_per_px, channel);
    });
    Blurs blurs;
    int halo = 0;
    for (std::size_t s = 0; s < cut.size(); ++s) {
      blurs.push_back(std::move(*made[s]));
      const int step = level_for(cut[s].radius).step;
      halo = std::max({halo, static_cast<int>(std::ceil(cut[s].radius)) + 2 * step + 2,
                       blurs.back().reach + 1});
    }
    constexpr int kArea = 192;
    const int across = (scene.width + kArea - 1) / kArea, down = (scene.height + kArea - 1) / kArea;
    tbb::enumerable_thread_specific<Workspace> workspaces;
    tbb::parallel_for(tbb::blocked_range2d<int>(0, down, 0, across),
                      [&](const tbb::blocked_range2d<int>& range) {
                        Workspace& work = workspaces.local();
                        for (int ty = range.rows().begin(); ty < range.rows().end(); ++ty) {
                          for (int tx = range.cols().begin(); tx < range.cols().end(); ++tx) {
                            const cv::Rect area = cv::Rect(tx * kArea, ty * kArea, kArea, kArea) &
                                                  cv::Rect(0, 0, scene.width, scene.height);
                            work_through(scene, area, halo, cut, blurs, work, picture);
                          }
                        }
                      });
  }

  if (!scene.front.rgba.empty()) {
    const cv::Mat front = blurred_veil(scene.front, scene, focus_q_px, pupil, channel);
    tbb::parallel_for(0, picture.rows, [&](int y) {
      const auto* over = front.ptr<cv::Vec4f>(y);
      auto* row = picture.ptr<cv::Vec3f>(y);
      for (int x = 0; x < picture.cols; ++x) {
        for (int c = 0; c < 3; ++c) row[x][c] = row[x][c] * (1.0F - over[x][3]) + over[x][c];
      }
    });
  }
  return picture;
}

}  // namespace

cv::Mat blurred(const Scene& scene, double focus_q_px, const Pupil& pupil) {
  if (!pupil.diffracts()) return blurred_as(scene, focus_q_px, pupil, 1);
  // Every colour has a blur of its own, and what hides behind what depends on the blur.
  cv::Mat picture(scene.height, scene.width, CV_32FC3);
  for (int c = 0; c < 3; ++c) {
    const cv::Mat all = blurred_as(scene, focus_q_px, pupil, c);
    cv::mixChannels({all}, {picture}, {c, c});
  }
  return picture;
}

cv::Vec4d frame_from_scene(const Placement& placement, cv::Size frame_px) {
  const double turn = placement.rotation_deg * std::numbers::pi / 180.0;
  return {placement.scale * std::cos(turn), placement.scale * std::sin(turn),
          (frame_px.width - 1) / 2.0 + placement.shift_x_px,
          (frame_px.height - 1) / 2.0 + placement.shift_y_px};
}

cv::Mat on_sensor(const cv::Mat& raster, double raster_per_px, const Placement& placement,
                  cv::Size frame_px) {
  const cv::Vec4d m = frame_from_scene(placement, frame_px);
  const double square = m[0] * m[0] + m[1] * m[1];
  // Samples per pixel and axis: about one per raster pixel, two at least, so that their mean is the
  // light on the pixel's area.
  const int n = std::max(2, static_cast<int>(std::ceil(raster_per_px / std::sqrt(square))) + 1);
  cv::Mat frame(frame_px, CV_32FC3);
  tbb::parallel_for(0, frame.rows, [&](int y) {
    auto* out = frame.ptr<cv::Vec3f>(y);
    for (int x = 0; x < frame.cols; ++x) {
      cv::Vec3f sum(0, 0, 0);
      for (int j = 0; j < n; ++j) {
        for (int i = 0; i < n; ++i) {
          const double fx = x + (i + 0.5) / n - 0.5 - m[2], fy = y + (j + 0.5) / n - 0.5 - m[3];
          const double sx = (m[0] * fx + m[1] * fy) / square;
          const double sy = (-m[1] * fx + m[0] * fy) / square;
          // Centre of raster pixel i is at i + 0.5 from the raster's left edge.
          const double rx =
              std::clamp(sx * raster_per_px + raster.cols / 2.0 - 0.5, 0.0, raster.cols - 1.001);
          const double ry =
              std::clamp(sy * raster_per_px + raster.rows / 2.0 - 0.5, 0.0, raster.rows - 1.001);
          const int x0 = static_cast<int>(rx), y0 = static_cast<int>(ry);
          const auto tx = static_cast<float>(rx - x0), ty = static_cast<float>(ry - y0);
          const auto* a = raster.ptr<cv::Vec3f>(y0) + x0;
          const auto* b = raster.ptr<cv::Vec3f>(y0 + 1) + x0;
          sum += (a[0] * (1.0F - tx) + a[1] * tx) * (1.0F - ty) +
                 (b[0] * (1.0F - tx) + b[1] * tx) * ty;
        }
      }
      out[x] = sum * (1.0F / static_cast<float>(n * n));
    }
  });
  return frame;
}

cv::Mat on_sensor(const cv::Mat& raster, double raster_per_px, const Placement& placement,
                  cv::Size frame_px, cv::Point2d shake_px) {
  const double length = std::hypot(shake_px.x, shake_px.y);
  if (length == 0.0) return on_sensor(raster, raster_per_px, placement, frame_px);
  // Half a raster pixel between two moments at most; five at least keep the line's variance within
  // 1/25.
  const int moments = std::max(5, static_cast<int>(std::ceil(2.0 * length * raster_per_px)));
  cv::Mat sum(frame_px, CV_32FC3, cv::Scalar::all(0.0));
  for (int k = 0; k < moments; ++k) {
    const double way = (k + 0.5) / moments - 0.5;
    Placement then = placement;
    then.shift_x_px += way * shake_px.x;
    then.shift_y_px += way * shake_px.y;
    sum += on_sensor(raster, raster_per_px, then, frame_px);
  }
  return sum * (1.0 / moments);
}

void illuminate(cv::Mat& light, const Illumination& by) {
  if (!(by.vignetting >= 0.0 && by.vignetting < 1.0)) {
    throw std::invalid_argument("the vignetting is not from 0 to below 1");
  }
  // Light falls with the fourth power of the cosine to the optical axis; the angle is set by what
  // the corners lose.
  const double corner = 1.0 / std::sqrt(1.0 - by.vignetting) - 1.0;  // its tangent, squared
  const double half_w = light.cols / 2.0, half_h = light.rows / 2.0;
  const double diagonal = half_w * half_w + half_h * half_h;
  const bool part_lit = by.lit_to < 1.0;
  constexpr double kSoftShare = 0.02;  // of the height: the shutter's edge is out of focus
  if (part_lit || by.vignetting > 0.0 || by.ambient > 0.0) {
    tbb::parallel_for(0, light.rows, [&](int y) {
      auto* row = light.ptr<cv::Vec3f>(y);
      const double height = (y + 0.5) / light.rows;
      const double lit = std::clamp(0.5 + (by.lit_to - height) / kSoftShare, 0.0, 1.0);
      const double level = (part_lit ? lit : 1.0) + by.ambient;
      const double dy = y + 0.5 - half_h;
      for (int x = 0; x < light.cols; ++x) {
        const double dx = x + 0.5 - half_w;
        const double spread = 1.0 + corner * (dx * dx + dy * dy) / diagonal;
        row[x] *= static_cast<float>(level / (spread * spread));
      }
    });
  }
  if (by.haze > 0.0) {
    const cv::Scalar mean = cv::mean(light);
    light *= 1.0 - by.haze;
    light += mean * by.haze;
  }
}

}  // namespace ringsweep::maker
