#include "maker/stage.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

#include "maker/beetle.h"
#include "maker/random.h"
#include "maker/scenes.h"
#include "maker/vectors.h"
#include "maker/viewpoint.h"

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

/// How far the frames of a recipe see past the edge of the picture at scale 1, as a share of it.
double margin_for(const Recipe& recipe, const std::vector<FramePlan>& plans) {
  double most = 0.0;
  for (const FramePlan& p : plans) {
    const double shift = std::max(std::abs(p.shift_x_px), std::abs(p.shift_y_px)) + 2.0;
    const double turn = std::abs(p.rotation_deg) * 0.0175;
    most = std::max(most, (0.5 * (1.0 + turn) + shift / recipe.height_px) / p.scale - 0.5);
  }
  return most;
}

double quantile_of_rising(const std::vector<double>& rising, double share) {
  return rising[static_cast<std::size_t>(share * static_cast<double>(rising.size() - 1))];
}

std::uint8_t part_named(const Cast& cast, const std::string& name) {
  for (std::size_t p = 0; p < cast.parts.size(); ++p) {
    if (cast.parts[p].name == name) return static_cast<std::uint8_t>(p);
  }
  throw std::invalid_argument("no part is named '" + name + "'");
}

/// How much of a move has been made in a frame (from 1).
double share_of_move(const Move& move, int frame, int frames, std::uint64_t seed) {
  if (frame < move.frame) return 0.0;
  switch (move.kind) {
    case Move::Kind::stays:
      return 1.0;
    case Move::Kind::drifts: {
      const double share = (frame - move.frame + 1.0) / std::max(1, frames - move.frame + 1);
      const double steps = std::max(1.0, 8.0 * move.shift_px);  // an eighth of a px is enough
      return std::round(share * steps) / steps;
    }
    case Move::Kind::to_and_fro:
      return normal_from_hash(hash(seed, static_cast<std::uint64_t>(frame))) * 0.5F;
  }
  return 0.0;
}

void come_nearer(const Approach& camera, const SceneFrame& frame, Veil& veil) {
  if (camera.share == 0.0 || veil.rgba.empty()) return;
  const double z_u = (veil.q_px - frame.q_px(0.0)) / frame.q_per_u(), s = camera.scale(z_u);
  const double x = (veil.rgba.cols - 1) / 2.0, y = (veil.rgba.rows - 1) / 2.0;
  const cv::Matx23d enlarge(s, 0.0, x - s * x, 0.0, s, y - s * y);
  cv::warpAffine(veil.rgba.clone(), veil.rgba, enlarge, veil.rgba.size(), cv::INTER_LINEAR,
                 cv::BORDER_REPLICATE);
  veil.q_px = static_cast<float>(frame.q_px(camera({0.0F, 0.0F, static_cast<float>(z_u)})[2]));
}

}  // namespace

Light light_of(const Recipe& recipe, double turn_deg) {
  return light_from(static_cast<float>(turn_deg),
                    recipe.scene == SceneKind::meadow ? Lights::round : recipe.lights);
}

Cast cast_of(const Recipe& recipe, const Light& light) {
  return recipe.scene == SceneKind::meadow
             ? beetle_on_seed_head(recipe.seed, light)
             : varied_cast(recipe.seed, recipe.perch, light, recipe.width_px);
}

double q_per_px(const Recipe& recipe) {
  // One px sideways is p / m in the scene, one px of depth the same; moving the point by du moves
  // its image by m^2 du, which is D m^2 du / (v p) px of blur: m D / v px per px of depth.
  const Optics& o = recipe.optics;
  const double magnification = o.v_ref_mm / o.focal_length_mm - 1.0;
  return recipe.depth_scale * magnification * o.pupil_mm / o.v_ref_mm;
}

Stage::Stage(const Recipe& recipe) : recipe_(recipe), plans_(plan_frames(recipe)) {
  frame_.width_px = recipe.width_px;
  frame_.height_px = recipe.height_px;
  frame_.raster_per_px = recipe.raster_per_px;
  frame_.margin = margin_for(recipe, plans_);
  frame_.q_per_px = q_per_px(recipe);
  cast_ = cast_of(recipe, light_of(recipe));
  for (const DropEvent& event : recipe.drops) {
    if (event.drop < 1 || event.drop > static_cast<int>(cast_.drops.size())) {
      throw std::invalid_argument("there is no drop " + std::to_string(event.drop));
    }
  }
  // Without the moves, whose sizes depend on what is seen, and as seen from v_ref.
  Pose first = pose(0);
  first.approach = first.camera = {};
  held_ = sampled(first);
  held_pose_ = first;
  const std::vector<Seen> seen = seen_in(frame_, held_);
  set_motions(held_, seen);
  see(held_, seen);
}

Scene Stage::sampled(const Pose& pose) const {
  Scene scene = empty_scene(frame_);
  const Light light = light_of(recipe_, pose.light_turn_deg);
  // Shaders hold their light: where it stands elsewhere it is the same cast, lit anew.
  const bool as_first = pose.light_turn_deg == 0.0F;
  const Cast lit = as_first ? Cast{} : cast_of(recipe_, light);
  add_objects(objects_of(as_first ? cast_ : lit, pose, light), frame_, scene);
  finish(frame_, scene);
  hang_veils(recipe_.seed, frame_, recipe_.blade, scene);
  for (Veil* veil : {&scene.background, &scene.front}) come_nearer(pose.camera, frame_, *veil);
  return scene;
}

Vec3f Stage::point_of(const Seen& seen, const Scene& scene) const {
  const double per_u = frame_.raster_per_u();
  return {static_cast<float>((seen.x + 0.5 - scene.width / 2.0) / per_u),
          static_cast<float>((seen.y + 0.5 - scene.height / 2.0) / per_u),
          static_cast<float>((seen.q_px - frame_.q_px(0.0)) / frame_.q_per_u())};
}

void Stage::set_motions(const Scene& scene, const std::vector<Seen>& seen) {
  const double px_per_u = frame_.width_px / static_cast<double>(kSceneWidth);
  for (const Move& move : recipe_.moves) {
    Motion motion{.part = part_named(cast_, move.part)};
    const auto way = static_cast<float>(move.way_deg) * kPi / 180.0F;
    const Vec3f towards(std::cos(way), std::sin(way), 0.0F);
    const std::vector<std::uint8_t> moving = moving_with(cast_, motion.part);
    const Vec3f joint = cast_.parts[motion.part].joint;
    std::vector<Vec3f> points;
    Vec3f mean(0, 0, 0);
    for (const Seen& s : seen) {
      if (std::ranges::find(moving, s.part) == moving.end()) continue;
      points.push_back(point_of(s, scene) - joint);
      mean += points.back();
    }
    float angle = 0.0F;
    Vec3f axis(0, 0, 1);
    if (!points.empty()) {
      mean *= 1.0F / static_cast<float>(points.size());
      const Vec3f out = cv::norm(mean) > 1e-3 ? unit(mean) : Vec3f(0, 0, 1);
      const Vec3f across = out.cross(towards);
      std::vector<double> per_radian;
      if (cv::norm(across) > 0.3) {
        axis = unit(across);
        for (const Vec3f& p : points) {
          const Vec3f d = axis.cross(p);
          per_radian.push_back(std::hypot(d[0], d[1]) * px_per_u);
        }
        std::ranges::sort(per_radian);
      }
      constexpr double kWidestTurn = 0.4;  // beyond it a turn is no longer a shift
      const double reach = per_radian.empty() ? 0.0 : quantile_of_rising(per_radian, 0.9);
      if (reach * kWidestTurn > move.shift_px) {
        angle = static_cast<float>(move.shift_px / reach);
        for (int round = 0; round < 4; ++round) {  // a turn is no straight line
          std::vector<double> shifts;
          const cv::Matx33f turn = turned(axis, angle);
          for (const Vec3f& p : points) {
            const Vec3f d = turn * p - p;
            shifts.push_back(std::hypot(d[0], d[1]) * px_per_u);
          }
          std::ranges::sort(shifts);
          angle *= static_cast<float>(move.shift_px / quantile_of_rising(shifts, 0.9));
        }
        motion.turn = turned(axis, angle);
      } else {
        motion.shift = towards * static_cast<float>(move.shift_px / px_per_u);
      }
    }
    motions_.push_back(motion);
    angles_.push_back(angle);
    axes_.push_back(axis);
  }
}

double Stage::share(std::size_t i, std::size_t k) const {
  return share_of_move(recipe_.moves[i], static_cast<int>(k) + 1, static_cast<int>(plans_.size()),
                       hash(recipe_.hand_seed, i));
}

Pose Stage::pose(std::size_t k) const {
  const int frame = static_cast<int>(k) + 1;
  const Sweep& sweep = recipe_.sweeps[plans_[k].sweep];
  const double px_per_u = frame_.width_px / static_cast<double>(kSceneWidth);
  Pose pose;
  pose.drop_growth = static_cast<float>(sweep.drop_growth);
  pose.light_turn_deg = static_cast<float>(sweep.light_turn_deg);
  for (std::size_t i = 0; i < motions_.size(); ++i) {
    const auto made = static_cast<float>(share(i, k));
    if (made == 0.0F) continue;
    Motion motion = motions_[i];
    motion.shift *= made;
    if (angles_[i] != 0.0F) motion.turn = turned(axes_[i], made * angles_[i]);
    pose.motions.push_back(motion);
  }
  const Optics& optics = recipe_.optics;
  const double camera_mm = lens_forward_mm(optics, plans_[k].v_mm);
  double nearer_mm = camera_mm;
  for (const Sway& sway : recipe_.sways) {
    if (frame < sway.first || frame > sway.last) continue;
    pose.sway += Vec3f(static_cast<float>(sway.x_px / px_per_u),
                       static_cast<float>(sway.y_px / px_per_u), 0.0F);
    nearer_mm += distance_mm(optics, 0.0) - distance_mm(optics, sway.depth_px);
  }
  if (nearer_mm != 0.0) pose.approach = approach(optics, nearer_mm, frame_.q_per_u());
  if (camera_mm != 0.0) pose.camera = approach(optics, camera_mm, frame_.q_per_u());
  for (const DropEvent& event : recipe_.drops) {
    const auto number = static_cast<std::uint16_t>(event.drop);
    const bool past = frame >= event.frame;
    const Drop& drop = cast_.drops[number - 1U];
    switch (event.kind) {
      case DropEvent::Kind::gone:
        if (past) pose.absent.push_back(number);
        break;
      case DropEvent::Kind::appears:
        if (!past) pose.absent.push_back(number);
        break;
      case DropEvent::Kind::rolls:
        if (past) {
          pose.changed.push_back(
              {number, {0.0F, static_cast<float>(event.shift_px / px_per_u), 0.0F}, 1.0F});
        }
        break;
      case DropEvent::Kind::merges:
        if (past && cast_.drops.size() > 1) {
          std::size_t nearest = number == 1 ? 1 : 0;
          for (std::size_t i = 0; i < cast_.drops.size(); ++i) {
            if (i + 1 != number && cv::norm(cast_.drops[i].centre - drop.centre) <
                                       cv::norm(cast_.drops[nearest].centre - drop.centre)) {
              nearest = i;
            }
          }
          const float other = cast_.drops[nearest].radius;
          pose.absent.push_back(number);
          pose.changed.push_back({static_cast<std::uint16_t>(nearest + 1),
                                  {0, 0, 0},
                                  std::cbrt(1.0F + std::pow(drop.radius / other, 3.0F))});
        }
        break;
    }
  }
  return pose;
}

void Stage::see(const Scene& scene, const std::vector<Seen>& seen) {
  const double px_per_u = frame_.width_px / static_cast<double>(kSceneWidth);
  const double px_per_raster = px_per_u / frame_.raster_per_u();
  sight_.subject_q_px = scene.subject_q_px;
  for (std::size_t i = 0; i < motions_.size(); ++i) {
    const std::vector<std::uint8_t> moving = moving_with(cast_, motions_[i].part);
    SeenMove move{.part = recipe_.moves[i].part,
                  .frame = recipe_.moves[i].frame,
                  .kind = recipe_.moves[i].kind,
                  .box_px = {},
                  .before_px = {},
                  .after_px = {}};
    for (std::size_t k = 0; k < plans_.size(); ++k) move.shares.push_back(share(i, k));
    Pose after;
    after.motions = {motions_[i]};
    std::vector<double> shifts, x, y;
    for (const Seen& s : seen) {
      if (std::ranges::find(moving, s.part) == moving.end()) continue;
      const Vec3f from = point_of(s, scene), to = posed(cast_, after, s.part, from);
      shifts.push_back(std::hypot(to[0] - from[0], to[1] - from[1]) * px_per_u);
      x.push_back(to[0] * px_per_u);
      y.push_back(to[1] * px_per_u);
      move.before_px.push_back(s.q_px);
      move.after_px.push_back(frame_.q_px(to[2]));
    }
    if (shifts.empty()) continue;
    for (auto* list : {&shifts, &x, &y, &move.before_px, &move.after_px}) std::ranges::sort(*list);
    move.shift_px = quantile_of_rising(shifts, 0.9);
    move.seen_px = static_cast<double>(shifts.size()) * px_per_raster * px_per_raster;
    move.box_px = {cv::Point2d(x.front(), y.front()), cv::Point2d(x.back(), y.back())};
    sight_.moves.push_back(std::move(move));
  }
  std::map<std::uint16_t, int> pixels;
  for (const Seen& s : seen) {
    if (s.drop > 0) ++pixels[s.drop];
  }
  for (std::size_t i = 0; i < cast_.drops.size(); ++i) {
    const Drop& drop = cast_.drops[i];
    const double radius_raster = drop.radius * frame_.raster_per_u();
    const double area = 0.94 * static_cast<double>(kPi) * radius_raster * radius_raster;
    sight_.drops.push_back(
        {.x_px = drop.centre[0] * px_per_u,
         .y_px = drop.centre[1] * px_per_u,
         .radius_px = drop.radius * px_per_u,
         .q_px = frame_.q_px(drop.centre[2] + drop.radius),
         .visible = std::min(1.0, pixels[static_cast<std::uint16_t>(i + 1)] / area)});
  }
}

const Scene& Stage::scene(std::size_t k) {
  Pose wanted = pose(k);
  if (!held_pose_ || !(*held_pose_ == wanted)) {
    held_ = sampled(wanted);
    held_pose_ = std::move(wanted);
  }
  return held_;
}

}  // namespace ringsweep::maker
