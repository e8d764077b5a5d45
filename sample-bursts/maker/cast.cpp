#include "maker/cast.h"

#include <algorithm>

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

/// What a pose does to everything of one part: x -> turn (x - joint) + joint + shift, in order.
struct Carried {
  cv::Matx33f turn = cv::Matx33f::eye();
  Vec3f shift{0, 0, 0};

  [[nodiscard]] Vec3f operator()(const Vec3f& x) const { return turn * x + shift; }
};

Carried carried(const Cast& cast, const Pose& pose, std::uint8_t part) {
  Carried all;
  for (const Motion& m : pose.motions) {
    const std::vector<std::uint8_t> moving = moving_with(cast, m.part);
    if (std::ranges::find(moving, part) == moving.end()) continue;
    const Vec3f& joint = cast.parts[m.part].joint;
    all.shift = m.turn * (all.shift - joint) + joint + m.shift;
    all.turn = m.turn * all.turn;
  }
  all.shift += pose.sway;
  return all;
}

/// Affine about the ellipsoid's centre: what is left away is the square of how much nearer one end
/// of it is than the other.
void come_nearer(const Approach& approach, Ellipsoid& ellipsoid) {
  if (approach.share == 0.0) return;
  ellipsoid.axes = approach.near(ellipsoid.centre) * ellipsoid.axes;
  ellipsoid.centre = approach(ellipsoid.centre);
}

void come_nearer(const Approach& approach, Tube& tube) {
  if (approach.share == 0.0) return;
  tube.ways.assign(1, 0.0F);  // the texture stays on the skin
  for (std::size_t i = 1; i < tube.points.size(); ++i) {
    tube.ways.push_back(tube.ways.back() +
                        static_cast<float>(cv::norm(tube.points[i] - tube.points[i - 1])));
  }
  for (std::size_t i = 0; i < tube.points.size(); ++i) {
    tube.radii[i] *= static_cast<float>(approach.scale(tube.points[i][2]));
    tube.points[i] = approach(tube.points[i]);
  }
}

}  // namespace

std::vector<std::uint8_t> moving_with(const Cast& cast, std::uint8_t part) {
  std::vector<std::uint8_t> moving{part};
  for (std::size_t i = 0; i < moving.size(); ++i) {
    const auto& more = cast.parts[moving[i]].carries;
    moving.insert(moving.end(), more.begin(), more.end());
  }
  return moving;
}

Vec3f posed(const Cast& cast, const Pose& pose, std::uint8_t part, const Vec3f& point) {
  return pose.approach(carried(cast, pose, part)(point));
}

std::vector<Object> objects_of(const Cast& cast, const Pose& pose, const Light& light) {
  std::vector<Carried> of_part;
  for (std::size_t p = 0; p < cast.parts.size(); ++p) {
    of_part.push_back(carried(cast, pose, static_cast<std::uint8_t>(p)));
  }
  std::vector<Object> objects = cast.objects;
  for (Object& object : objects) {
    const Carried& move = of_part[object.part];
    for (auto& solid : object.solids) {
      if (auto* e = std::get_if<Ellipsoid>(&solid)) {
        e->centre = move(e->centre);
        e->axes = move.turn * e->axes;
        come_nearer(pose.approach, *e);
      } else {
        auto& tube = std::get<Tube>(solid);
        for (Vec3f& point : tube.points) point = move(point);
        come_nearer(pose.approach, tube);
      }
    }
  }
  const bool perch_is_subject = std::ranges::any_of(
      cast.objects, [](const Object& o) { return o.part == kPerchPart && o.subject; });
  for (std::size_t i = 0; i < cast.drops.size(); ++i) {
    const auto number = static_cast<std::uint16_t>(i + 1);
    if (std::ranges::find(pose.absent, number) != pose.absent.end()) continue;
    const Drop& drop = cast.drops[i];
    Vec3f centre = drop.centre;
    float radius = drop.radius * pose.drop_growth;
    for (const Pose::DropShift& change : pose.changed) {
      if (change.drop == number) centre += change.shift, radius *= change.growth;
    }
    Ellipsoid ball{
        of_part[drop.part](centre), cv::Matx33f::eye(), {radius, radius * 0.94F, radius}};
    come_nearer(pose.approach, ball);
    // A drop on a perch that runs out of the picture is as little subject as the perch.
    const bool subject = drop.part != kPerchPart || perch_is_subject;
    objects.push_back({{ball}, dew(light, drop.seed, cast.glint), subject, drop.part, number});
  }
  return objects;
}

}  // namespace ringsweep::maker
