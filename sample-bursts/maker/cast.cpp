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
  return carried(cast, pose, part)(point);
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
      } else {
        for (Vec3f& point : std::get<Tube>(solid).points) point = move(point);
      }
    }
  }
  for (std::size_t i = 0; i < cast.drops.size(); ++i) {
    const auto number = static_cast<std::uint16_t>(i + 1);
    if (std::ranges::find(pose.absent, number) != pose.absent.end()) continue;
    const Drop& drop = cast.drops[i];
    Vec3f centre = drop.centre;
    float radius = drop.radius * pose.drop_growth;
    for (const Pose::DropShift& change : pose.changed) {
      if (change.drop == number) centre += change.shift, radius *= change.growth;
    }
    const Ellipsoid ball{
        of_part[drop.part](centre), cv::Matx33f::eye(), {radius, radius * 0.94F, radius}};
    objects.push_back({{ball}, dew(light, drop.seed, cast.glint), true, drop.part, number});
  }
  return objects;
}

}  // namespace ringsweep::maker
