#include "maker/suite.h"

#include <fmt/core.h>

#include <algorithm>
#include <array>
#include <cmath>

#include "maker/random.h"
#include "maker/scenes.h"
#include "maker/stage.h"

namespace ringsweep::maker {
namespace {

/// Draws of one case, in double.
class Draw {
 public:
  explicit Draw(std::uint64_t seed) : stream_(seed) {}
  [[nodiscard]] double uniform(double low, double high) {
    return low + (high - low) * static_cast<double>(stream_.uniform());
  }
  [[nodiscard]] double log_uniform(double low, double high) {
    return low * std::pow(high / low, uniform(0.0, 1.0));
  }
  /// 0 to before n.
  [[nodiscard]] int one_of(int n) {
    return std::min(n - 1, static_cast<int>(uniform(0.0, static_cast<double>(n))));
  }
  [[nodiscard]] bool chance(double share) { return uniform(0.0, 1.0) < share; }
  [[nodiscard]] std::uint64_t seed() { return stream_.next() >> 16U; }

 private:
  Stream stream_;
};

constexpr double kAllowedPx = 4.0;  // twice the blur limit of pictures as small as these

/// An animal in the middle of its sweep.
Recipe plain(Draw& draw, int width_px) {
  Recipe r;
  r.seed = draw.seed();
  r.hand_seed = draw.seed();
  r.width_px = width_px;
  r.height_px = width_px * 3 / 4;
  r.raster_per_px = 1.5;
  r.scene = SceneKind::varied;
  // A third stands on what runs through the whole depth and out of the picture.
  r.perch =
      draw.chance(2.0 / 3.0) ? Perch::seed_head : (draw.chance(0.5) ? Perch::stem : Perch::leaf);
  r.lights = std::array{Lights::square, Lights::two,
                        Lights::point}[static_cast<std::size_t>(draw.one_of(3))];
  r.blade = draw.chance(0.4);
  const double depth_px = draw.log_uniform(5.0, 60.0);
  // The pupil that makes the animal so deep. The same sensor, as many px as there are.
  r.optics.pitch_mm = 17.4 / width_px;
  const DepthRange animal = depth_range(cast_of(r, light_of(r)));
  const double magnification = r.optics.v_ref_mm / r.optics.focal_length_mm - 1.0;
  const double depth = animal.depth_u() * width_px / static_cast<double>(kSceneWidth);
  r.optics.pupil_mm = depth_px * r.optics.v_ref_mm / (depth * magnification);
  // Run-in and run-out of 1.5 to 6 px beyond what is there; the animal's middle is near z = 0.
  const double q_per_u = depth_px / animal.depth_u();
  const double near = animal.near_u * q_per_u + draw.uniform(1.5, 6.0);
  const double far = animal.far_u * q_per_u - draw.uniform(1.5, 6.0);
  Sweep& s = r.sweeps[0];
  const bool from_near = draw.chance(0.5);
  s.from_px = from_near ? near : far;
  s.to_px = from_near ? far : near;
  // About 14 to 45 frames, none of its steps wider than a gap.
  const double frames = draw.uniform(16.0, 40.0);
  const double mean = std::clamp((near - far) / frames, 0.35, 2.3);
  s.smallest_step_px = mean * draw.uniform(0.3, 0.8);
  s.largest_step_px = std::min(3.6, 2.0 * mean - s.smallest_step_px);
  s.sway = draw.chance(0.5) ? draw.uniform(0.3, 0.8) : 0.0;
  r.shift_sd_px = draw.uniform(0.1, 1.0);
  r.rotation_sd_deg = draw.chance(0.3) ? draw.uniform(0.0, 0.05) : 0.0;
  r.flicker_sd_ev = draw.uniform(0.0, 0.08);
  r.sensor.full_well_e = draw.log_uniform(6000.0, 40000.0);
  r.sensor.read_noise_e = draw.uniform(2.0, 8.0);
  r.sensor.jpeg_quality = 88 + draw.one_of(10);
  return r;
}

int frames_of(const Recipe& recipe) { return static_cast<int>(plan_frames(recipe).size()); }

/// A place of the sweep within the subject, px at v_ref.
double place(Draw& draw, const Recipe& r, double from = 0.25, double to = 0.75) {
  return std::lerp(r.sweeps[0].from_px, r.sweeps[0].to_px, draw.uniform(from, to));
}

void make_plain(Draw& draw, Recipe& r) {
  Sweep& s = r.sweeps[0];
  const double all = s.to_px - s.from_px;
  switch (draw.one_of(4)) {
    case 0:
      s.from_px += all * draw.uniform(0.05, 0.4);
      break;  // a late start
    case 1:
      s.to_px -= all * draw.uniform(0.05, 0.4);
      break;  // an early end
    default:
      break;
  }
}

void make_gap(Draw& draw, Recipe& r) {
  r.sweeps[0].jumps = {{.at_px = place(draw, r), .width_px = kAllowedPx * draw.uniform(0.5, 2.0)}};
}

void make_flash(Draw& draw, Recipe& r) {
  const int n = frames_of(r);
  const int kind = draw.one_of(7);
  const double missed = draw.uniform(-9.0, -4.0);
  const auto miss = [&](int frame, double ev) { r.flash.push_back({.frame = frame, .ev = ev}); };
  switch (kind) {
    case 0:  // single misses
      for (int f = 1; f <= n; ++f)
        if (draw.chance(0.1)) miss(f, missed);
      break;
    case 1:  // every second or third
      for (int f = 2 + draw.one_of(2), by = 2 + draw.one_of(2); f <= n; f += by) miss(f, missed);
      break;
    case 2:  // five, then none for a while
      for (int f = 1; f <= n; ++f)
        if ((f - 1) % 8 >= 5) miss(f, missed);
      break;
    case 3:  // sagging
      for (int f = 1; f <= n; ++f) miss(f, -draw.uniform(1.0, 2.0) * (f - 1) / n);
      break;
    case 4:  // lit in part
      for (int f = 1; f <= n; ++f)
        if (draw.chance(0.08)) r.flash.push_back({.frame = f, .lit_to = draw.uniform(0.2, 0.8)});
      break;
    case 5:  // dawn
      r.ambient = {.first_ev = draw.uniform(-6.0, -3.0), .last_ev = -1.0};
      for (int f = 1; f <= n; ++f)
        if (draw.chance(0.15)) miss(f, missed);
      break;
    default:  // weak ones
      for (int f = 1; f <= n; ++f)
        if (draw.chance(0.25)) miss(f, draw.uniform(-2.4, -0.3));
      break;
  }
}

void make_hand(Draw& draw, Recipe& r) {
  Sweep& s = r.sweeps[0];
  switch (draw.one_of(5)) {
    case 0:
      s.hesitations = {{.at_px = place(draw, r), .frames = 2 + draw.one_of(6)}};
      break;
    case 1:
      s.hesitations = {{.at_px = place(draw, r),
                        .frames = draw.one_of(3),
                        .back_px = draw.uniform(1.0, 8.0),
                        .play_px = draw.uniform(0.0, 3.0)}};
      break;
    case 2: {  // sticks, comes free, a new grip
      const double at = place(draw, r);
      s.hesitations = {{.at_px = at, .frames = 1 + draw.one_of(3)}};
      s.jumps = {
          {.at_px = at + (s.to_px > s.from_px ? 2.0 : -2.0), .width_px = draw.uniform(2.0, 7.0)}};
      break;
    }
    case 3:
      s.end_stop_px = place(draw, r, 0.6, 1.0);
      break;
    default:
      r.buffer_frames = 8 + draw.one_of(10);
      r.slow_interval_s = draw.uniform(0.3, 1.2);
      break;
  }
}

void make_sweeps(Draw& draw, Recipe& r) {
  const int more = 1 + draw.one_of(2);
  for (int i = 0; i < more; ++i) {
    Sweep next = r.sweeps.back();
    next.jumps.clear();
    if (draw.chance(0.75)) std::swap(next.from_px, next.to_px);
    next.pause_s = draw.uniform(0.0, 2.5);
    if (draw.chance(0.6)) {
      next.jumps = {{.at_px = place(draw, r, 0.3, 0.7), .width_px = draw.uniform(4.5, 9.0)}};
    }
    switch (draw.one_of(5)) {
      case 0:
        next.pupil_factor = draw.chance(0.5) ? 0.71 : 1.41;
        break;
      case 1:
        next.bump_x_px = draw.uniform(-8.0, 8.0);
        next.bump_y_px = draw.uniform(-8.0, 8.0);
        break;
      case 2:
        next.light_turn_deg = draw.uniform(-60.0, 60.0);
        break;
      case 3:
        next.drop_growth = draw.uniform(0.85, 1.2);
        break;
      default:
        break;
    }
    r.sweeps.push_back(next);
  }
  if (draw.chance(0.6)) {
    r.sweeps[0].jumps = {{.at_px = place(draw, r, 0.3, 0.7), .width_px = draw.uniform(4.5, 9.0)}};
  }
}

void make_camera(Draw& draw, Recipe& r) {
  const int n = frames_of(r);
  switch (draw.one_of(6)) {
    case 0:
      for (int f = 1; f <= n; ++f) {
        if (!draw.chance(0.15)) continue;
        const double length = draw.uniform(1.0, 8.0), way = draw.uniform(0.0, 6.2832);
        r.shakes.push_back(
            {.frame = f, .x_px = length * std::cos(way), .y_px = length * std::sin(way)});
      }
      break;
    case 1:
      r.haze = {.from_frame = 1 + draw.one_of(n), .share = draw.uniform(0.05, 0.4)};
      break;
    case 2:
      for (int f = 1; f <= n; ++f) {
        if (draw.chance(0.5))
          r.sways.push_back({.first = f,
                             .last = f,
                             .x_px = draw.uniform(-4.0, 4.0),
                             .y_px = draw.uniform(-2.0, 2.0)});
      }
      break;
    case 3:
      for (int f = 2; f <= n; ++f) {
        if (draw.chance(0.25))
          r.sways.push_back({.first = f, .last = f, .depth_px = draw.uniform(-2.0, 2.0)});
      }
      break;
    case 4:
      r.not_written = {2 + draw.one_of(n - 2)};
      break;
    default:
      r.cut_short = {2 + draw.one_of(n - 2)};
      break;
  }
}

void make_optics(Draw& draw, Recipe& r) {
  Optics& o = r.optics;
  switch (draw.one_of(7)) {
    case 0:
      o.focusing = Focusing::internal;
      o.breathing = draw.uniform(-1.0, 2.0);
      break;
    case 1:
      o.pupil = PupilShape::hexagonal;
      break;
    case 2:
      o.vignetting = draw.uniform(0.2, 0.7);
      break;
    case 3:
      o.spherical = draw.uniform(-0.5, 0.5);
      break;
    case 6: {
      // The body stays, the lens moves by 3 to 8 % of v, well below life size or well beyond it.
      const double blur_per_depth = q_per_px(r);
      const double m = draw.chance(0.7) ? draw.uniform(0.4, 0.75) : draw.uniform(1.3, 1.6);
      const double ring_px = std::abs(r.sweeps[0].to_px - r.sweeps[0].from_px);
      o.focusing = Focusing::body_fixed;
      o.v_ref_mm = o.focal_length_mm * (1.0 + m);
      o.pupil_mm = ring_px * o.pitch_mm / (draw.uniform(0.03, 0.08) * std::abs(1.0 - m * m));
      r.depth_scale = blur_per_depth * o.v_ref_mm / (m * o.pupil_mm);
      break;
    }
    default: {
      // The same blur from a smaller sensor: pupil and pitch shrink together, N_w grows.
      const double pitch = draw.uniform(0.0035, 0.006);
      const double n_w = draw.log_uniform(8.0, 32.0);
      const double pupil = o.v_ref_mm / n_w;
      // A px of depth is pitch / m; px of blur per px of depth go with the pupil alone: the scene
      // is flattened or stretched to keep them.
      r.depth_scale = o.pupil_mm / pupil;
      o.pupil_mm = pupil;
      o.pitch_mm = pitch;
      o.diffraction = true;
      break;
    }
  }
}

void make_develop(Draw& draw, Recipe& r) {
  Sensor& s = r.sensor;
  s.mosaic = draw.chance(0.7);
  s.sharpening = draw.chance(0.7) ? draw.uniform(0.2, 1.5) : 0.0;
  s.sharpening_px = draw.uniform(0.6, 1.6);
  s.tone_curve = draw.chance(0.6) ? draw.uniform(0.1, 0.8) : 0.0;
  if (draw.chance(0.3)) s.jpeg_quality = 60 + draw.one_of(30);
  if (draw.chance(0.3)) s.full_well_e = draw.log_uniform(1000.0, 5000.0);
}

/// The frame (from 1) of the first sweep that focuses nearest to a depth, or a few beside it: what
/// happens there happens while it is sharp.
int frame_near(Draw& draw, const Recipe& r, double z_u) {
  const double q_per_u = q_per_px(r) * r.width_px / static_cast<double>(kSceneWidth);
  Recipe first = r;
  first.sweeps.resize(1);
  const std::vector<FramePlan> plans = plan_frames(first);
  const auto nearest = std::ranges::min_element(
      plans, {}, [&](const FramePlan& p) { return std::abs(p.ref_q_px - z_u * q_per_u); });
  const int frame = static_cast<int>(nearest - plans.begin()) + draw.one_of(5) - 1;
  return std::clamp(frame, 2, static_cast<int>(plans.size()));
}

/// The same sweep back: it may cover alone.
void sweep_back(Draw& draw, Recipe& r) {
  Sweep back = r.sweeps[0];
  std::swap(back.from_px, back.to_px);
  back.pause_s = draw.uniform(0.2, 2.0);
  r.sweeps.push_back(back);
}

void make_moves(Draw& draw, Recipe& r) {
  constexpr std::array<const char*, 8> kParts{"head",  "antenna-1", "antenna-2", "leg-1",
                                              "leg-3", "leg-4",     "leg-6",     "abdomen"};
  const int n = frames_of(r);
  const Cast cast = cast_of(r, light_of(r));
  const bool twice = draw.chance(0.4);
  const int moves = 1 + draw.one_of(2);
  for (int i = 0; i < moves; ++i) {
    Move m;
    m.part = kParts[static_cast<std::size_t>(draw.one_of(8))];
    const auto part = std::ranges::find(cast.parts, m.part, &Part::name);
    m.frame = twice && draw.chance(0.6) ? n + 1
              : draw.chance(0.75)       ? frame_near(draw, r, static_cast<double>(part->joint[2]))
                                  : std::max(2, static_cast<int>(draw.uniform(0.25, 0.75) * n));
    m.shift_px = draw.chance(0.4) ? draw.uniform(2.2, 8.0) : draw.log_uniform(0.5, 8.0);
    m.way_deg = draw.uniform(0.0, 360.0);
    if (m.part == "abdomen" && draw.chance(0.5)) m.kind = Move::Kind::drifts;
    if (m.part.starts_with("antenna") && draw.chance(0.3)) m.kind = Move::Kind::to_and_fro;
    r.moves.push_back(m);
  }
  if (twice) sweep_back(draw, r);
}

void make_drops(Draw& draw, Recipe& r) {
  const int n = frames_of(r);
  const Cast cast = cast_of(r, light_of(r));
  const bool twice = draw.chance(0.4);
  const auto some_drop = [&] { return draw.one_of(static_cast<int>(cast.drops.size())); };
  const auto depth =
      static_cast<double>(cast.drops[static_cast<std::size_t>(some_drop())].centre[2]);
  const int frame = twice && draw.chance(0.6) ? n + 1
                    : draw.chance(0.75)
                        ? frame_near(draw, r, depth)
                        : std::max(2, static_cast<int>(draw.uniform(0.25, 0.75) * n));
  const int events = 1 + draw.one_of(5);
  for (int i = 0; i < events; ++i) {
    DropEvent e;
    e.drop = 1 + some_drop();
    if (std::ranges::find(r.drops, e.drop, &DropEvent::drop) != r.drops.end()) continue;
    e.frame = frame;
    const int kind = draw.one_of(8);
    e.kind = kind < 5    ? DropEvent::Kind::gone
             : kind == 5 ? DropEvent::Kind::rolls
             : kind == 6 ? DropEvent::Kind::merges
                         : DropEvent::Kind::appears;
    e.shift_px = draw.uniform(5.0, 40.0);
    r.drops.push_back(e);
  }
  if (twice) sweep_back(draw, r);
}

/// A third to over half of the sweep is missing, at either end: that cuts into the animal.
void make_ends(Draw& draw, Recipe& r) {
  Sweep& s = r.sweeps[0];
  const double missing = (s.to_px - s.from_px) * draw.uniform(0.33, 0.6);
  if (draw.one_of(2) == 0) {
    s.from_px += missing;
  } else {
    s.to_px -= missing;
  }
}

/// A group: its name, what it does to a plain recipe, and its number of cases by size.
struct Kind {
  SuiteGroup group;
  const char* name;
  void (*change)(Draw&, Recipe&);
  int few, quick, full;
};
constexpr std::array<Kind, 11> kKinds{{{SuiteGroup::plain, "plain", make_plain, 2, 10, 80},
                                       {SuiteGroup::gap, "gap", make_gap, 2, 10, 70},
                                       {SuiteGroup::flash, "flash", make_flash, 1, 8, 48},
                                       {SuiteGroup::hand, "hand", make_hand, 1, 6, 32},
                                       {SuiteGroup::sweeps, "sweeps", make_sweeps, 0, 6, 36},
                                       {SuiteGroup::camera, "camera", make_camera, 1, 6, 32},
                                       {SuiteGroup::optics, "optics", make_optics, 0, 6, 36},
                                       {SuiteGroup::develop, "develop", make_develop, 1, 6, 32},
                                       {SuiteGroup::moves, "moves", make_moves, 0, 8, 84},
                                       {SuiteGroup::drops, "drops", make_drops, 0, 8, 76},
                                       {SuiteGroup::ends, "ends", make_ends, 2, 6, 32}}};

}  // namespace

const char* name_of(SuiteGroup group) {
  return std::ranges::find(kKinds, group, &Kind::group)->name;
}

std::vector<SuiteCase> suite(SuiteSize size) {
  std::vector<SuiteCase> cases;
  for (const Kind& kind : kKinds) {
    const int count = size == SuiteSize::few     ? kind.few
                      : size == SuiteSize::quick ? kind.quick
                      : size == SuiteSize::full  ? kind.full
                                                 : 9 * kind.full;
    for (int i = 0; i < count; ++i) {
      SuiteCase c;
      c.group = kind.group;
      c.name = fmt::format("{}-{:03}", kind.name, i + 1);
      c.held_back = i % 2 == 1;
      const std::uint64_t seed =
          hash(2026, hash(static_cast<std::uint64_t>(kind.group), static_cast<std::uint64_t>(i)));
      Draw draw(seed);
      c.recipe = plain(draw, size == SuiteSize::few ? 432 : 640);
      kind.change(draw, c.recipe);
      c.recipe.name = c.name;
      cases.push_back(std::move(c));
    }
  }
  return cases;
}

}  // namespace ringsweep::maker
