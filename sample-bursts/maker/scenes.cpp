#include "maker/scenes.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <limits>
#include <string>

#include "maker/anatomy.h"
#include "maker/paint.h"
#include "maker/random.h"
#include "maker/vectors.h"

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

/// What the animal stands on: a line through the picture, and how to stand on it.
struct Ground {
  Vec3f from, to;        ///< t = -1 and 1
  float sag = 0.0F;      ///< u, downwards in the middle
  float radius = 30.0F;  ///< of what lies around the line

  [[nodiscard]] Vec3f at(float t) const {
    return from + (to - from) * (0.5F + 0.5F * t) + Vec3f(0.0F, sag * (1.0F - t * t), 0.0F);
  }
  [[nodiscard]] Vec3f along(float t) const { return unit(at(t + 0.01F) - at(t - 0.01F)); }
  /// Square to the line, at an angle around it: 0 is up, a quarter turn is to the camera.
  [[nodiscard]] Vec3f outward(float t, float angle) const {
    const Vec3f way = along(t);
    const Vec3f up = square_to({0, -1, 0}, way), front = square_to({0, 0, 1}, way);
    return unit(up * std::cos(angle) + square_to(front, up) * std::sin(angle));
  }
  /// A place on its surface, `height` above it.
  [[nodiscard]] Vec3f surface(float t, float angle, float height) const {
    return at(t) + outward(t, angle) * (radius + height);
  }
};

float evenly(const Vec3f&) { return 1.0F; }

Ground ground_for(Perch perch, Stream& r) {
  const float side = r.uniform() < 0.5F ? -1.0F : 1.0F;
  Ground g;
  // Near on one side, far on the other; out of the picture on both.
  const float depth =
      perch == Perch::seed_head ? r.uniform(150.0F, 300.0F) : r.uniform(450.0F, 650.0F);
  const float tilt = r.uniform(-140.0F, 140.0F);
  g.from = {-700.0F, 210.0F + tilt, side * depth};
  g.to = {700.0F, 210.0F - tilt, -side * depth};
  g.sag = r.uniform(-40.0F, 40.0F);
  g.radius =
      perch == Perch::seed_head ? 30.0F : (perch == Perch::stem ? r.uniform(18.0F, 42.0F) : 6.0F);
  return g;
}

void grow_seed_head(const Ground& g, const Light& light, std::uint64_t seed,
                    std::vector<Object>& objects) {
  Stream r(hash(seed, 11));
  Tube stalk;
  for (float t = -1.25F; t <= 1.25F; t += 0.05F) {
    stalk.points.push_back(g.at(t));
    stalk.radii.push_back(10.0F);
  }
  objects.push_back({{stalk}, straw(light, hash(seed, 12), {0.24F, 0.27F, 0.11F}, evenly), false});
  const float step = r.uniform(0.03F, 0.045F);
  const float plump = r.uniform(0.8F, 1.35F);
  const Vec3f own_tint(r.uniform(0.7F, 1.3F), r.uniform(0.8F, 1.15F), r.uniform(0.6F, 1.3F));
  int whorl = 0;
  for (float t = -1.2F; t < 1.2F; t += step, ++whorl) {
    for (int i = 0; i < 6; ++i) {
      const float angle = 2.0F * kPi * (static_cast<float>(i) / 6.0F) +
                          (whorl % 2 == 0 ? 0.0F : kPi / 6.0F) + 0.25F * r.normal();
      const Vec3f out = g.outward(t, angle), tip = g.along(t) * -1.0F;
      const float size = plump * (1.0F + 0.12F * r.normal());
      const Vec3f dir = unit(tip * 0.86F + out * (0.5F + 0.08F * r.normal()) +
                             Vec3f(r.normal(), r.normal(), r.normal()) * 0.05F);
      const Vec3f centre = g.at(t) + out * 8.0F + dir * (24.0F * size);
      const Vec3f wide = square_to(out.cross(tip), dir);
      const std::uint64_t own = hash(seed, static_cast<std::uint64_t>(1000 + whorl * 16 + i));
      objects.push_back({{Ellipsoid{centre,
                                    columns(dir, wide, unit(dir.cross(wide))),
                                    {25.0F * size, 10.5F * size, 8.0F * size}}},
                         husk(light, own, own_tint * r.uniform(0.7F, 1.2F), 25.0F * size, evenly),
                         false});
      if (r.uniform() < 0.35F) {
        const Vec3f start = centre + dir * (23.0F * size);
        const Vec3f heading =
            unit(dir + out * 0.25F + Vec3f(r.normal(), r.normal(), r.normal()) * 0.15F);
        const float length = r.uniform(40.0F, 110.0F);
        objects.push_back(
            {{Tube{{start, start + heading * (0.5F * length), start + heading * length},
                   {1.25F, 0.9F, 0.4F}}},
             straw(light, own + 1, {0.52F, 0.43F, 0.24F}, evenly),
             false});
      }
    }
  }
}

void grow_stem(const Ground& g, const Light& light, std::uint64_t seed,
               std::vector<Object>& objects) {
  Stream r(hash(seed, 13));
  Tube stem;
  for (float t = -1.4F; t <= 1.4F; t += 0.04F) {
    stem.points.push_back(g.at(t));
    stem.radii.push_back(g.radius * (1.0F + 0.05F * std::sin(9.0F * t)));
  }
  const Vec3f colour(r.uniform(0.10F, 0.35F), r.uniform(0.18F, 0.32F), r.uniform(0.05F, 0.14F));
  objects.push_back({{stem}, straw(light, hash(seed, 14), colour, evenly), false});
  const int hairs = static_cast<int>(r.uniform(0.0F, 260.0F));
  for (int i = 0; i < hairs; ++i) {
    const float t = r.uniform(-1.2F, 1.2F), angle = r.uniform(-kPi, kPi);
    const Vec3f root = g.surface(t, angle, -1.0F);
    const Vec3f end =
        root + unit(g.outward(t, angle) + g.along(t) * 0.3F * r.normal()) * r.uniform(10.0F, 26.0F);
    objects.push_back(
        {{Tube{{root, end}, {0.7F, 0.25F}}}, hair(light, {0.5F, 0.55F, 0.42F}), false});
  }
}

void grow_leaf(const Ground& g, const Light& light, std::uint64_t seed,
               std::vector<Object>& objects) {
  Stream r(hash(seed, 15));
  const Vec3f way = g.along(0.0F);
  const Vec3f up =
      unit(g.outward(0.0F, 0.0F) + g.outward(0.0F, kPi / 2.0F) * r.uniform(0.1F, 0.7F));
  const Vec3f flat = square_to(up, way);
  const Ellipsoid blade{g.at(0.0F),
                        columns(way, unit(way.cross(flat)), flat),
                        {1150.0F, r.uniform(120.0F, 210.0F), g.radius}};
  objects.push_back({{blade}, leaf_skin(light, hash(seed, 16)), false});
}

/// A point of an ellipsoid's surface and the normal there, by a direction in its own axes.
std::pair<Vec3f, Vec3f> on_surface(const Ellipsoid& e, const Vec3f& on) {
  const Vec3f local(on[0] * e.half[0], on[1] * e.half[1], on[2] * e.half[2]);
  const Vec3f normal =
      unit(e.axes * Vec3f(on[0] / e.half[0], on[1] / e.half[1], on[2] / e.half[2]));
  return {e.centre + e.axes * local, normal};
}

/// Coats of an animal: one for all of it, the head its own.
Shader coat(const Light& light, Stream& r, const Ellipsoid& e, int kind, const Vec3f& tint) {
  const std::uint64_t seed = r.next();
  switch (kind) {
    case 0:
      return wing_cases(light, seed, e.half);
    case 1:
      return shell(light, seed, r.uniform(3.5F, 8.0F), r.uniform(0.03F, 0.12F));
    case 2:
      return polished(light, seed, tint);
    case 3:
      return striped(light, seed, tint * 1.3F, Vec3f(0.03F, 0.025F, 0.02F),
                     r.uniform(14.0F, 36.0F));
    default:
      return limb(light, seed, tint);
  }
}

void put_animal(const Ground& g, const Light& light, std::uint64_t seed, int width_px, Cast& cast) {
  Stream r(hash(seed, 21));
  std::vector<Object>& objects = cast.objects;
  const auto part = [&cast](const std::string& name, const Vec3f& joint) {
    cast.parts.push_back({name, joint, {}});
    return static_cast<std::uint8_t>(cast.parts.size() - 1);
  };
  const float size = r.uniform(1.0F, 1.5F);
  const int coat_kind = static_cast<int>(r.uniform(0.0F, 5.0F));
  const Vec3f tint(r.uniform(0.06F, 0.4F), r.uniform(0.06F, 0.3F), r.uniform(0.03F, 0.2F));

  Body body;
  const float facing = r.uniform() < 0.5F ? -1.0F : 1.0F;
  body.ahead =
      unit({facing * r.uniform(0.6F, 0.95F), r.uniform(-0.25F, 0.25F), r.uniform(-0.35F, 0.7F)});
  body.up = square_to({r.uniform(-0.15F, 0.15F), -0.9F, r.uniform(0.1F, 0.55F)}, body.ahead);
  body.side = body.ahead.cross(body.up);
  if (body.side[2] < 0.0F) body.side *= -1.0F;

  const Vec3f abdomen_half(r.uniform(110.0F, 190.0F) * size, r.uniform(55.0F, 95.0F) * size,
                           r.uniform(60.0F, 105.0F) * size);
  const Vec3f chest_half(r.uniform(55.0F, 85.0F) * size, r.uniform(52.0F, 80.0F) * size,
                         r.uniform(55.0F, 82.0F) * size);
  const Vec3f head_half(r.uniform(36.0F, 55.0F) * size, r.uniform(34.0F, 52.0F) * size,
                        r.uniform(38.0F, 60.0F) * size);
  const float lift = g.radius + abdomen_half[1] + r.uniform(15.0F, 45.0F) * size;
  body.back = g.at(0.0F) + g.outward(0.0F, 0.35F) * lift - body.ahead * (0.35F * abdomen_half[0]);

  const Ellipsoid abdomen{body.back, body.axes(), abdomen_half};
  const Vec3f chest_at = body.at(body.back, abdomen_half[0] + 0.55F * chest_half[0], -5.0F, 0.0F);
  const Ellipsoid chest{chest_at, body.axes(), chest_half};
  const Vec3f head_at = body.at(chest_at, chest_half[0] + 0.6F * head_half[0], -12.0F, 0.0F);
  const Ellipsoid head{head_at, body.axes(), head_half};
  const std::uint8_t abdomen_part = part("abdomen", body.at(chest_at, -0.9F * chest_half[0], 0, 0));
  const std::uint8_t chest_part = part("chest", chest_at);
  const std::uint8_t head_part = part("head", body.at(chest_at, 0.9F * chest_half[0], -8.0F, 0.0F));
  objects.push_back({{abdomen}, coat(light, r, abdomen, coat_kind, tint), true, abdomen_part});
  objects.push_back(
      {{chest}, coat(light, r, chest, coat_kind == 0 ? 1 : coat_kind, tint), true, chest_part});
  objects.push_back(
      {{head}, coat(light, r, head, coat_kind == 0 ? 1 : coat_kind, tint * 0.8F), true, head_part});

  const float eye = r.uniform(0.4F, 0.85F);
  const std::uint64_t eye_seed = r.next();
  const AntennaLook look{.length = r.uniform(60.0F, 260.0F) * size,
                         .thickness = r.uniform(0.5F, 1.1F),
                         .colour = tint * 0.7F};
  for (const float sign : {-1.0F, 1.0F}) {
    const Ellipsoid eyeball{
        body.at(head_at, 0.25F * head_half[0], 0.35F * head_half[1], 0.72F * head_half[2] * sign),
        body.axes(),
        {head_half[0] * eye * 0.8F, head_half[1] * eye, head_half[2] * eye * 0.6F}};
    objects.push_back({{eyeball}, facets(light, eye_seed), true, head_part});
    const std::size_t first = objects.size();
    const Vec3f root =
        body.at(head_at, 0.75F * head_half[0], 0.45F * head_half[1], 0.35F * head_half[2] * sign);
    add_antenna(
        light, root,
        unit(body.ahead * r.uniform(0.3F, 0.8F) + body.up * 0.8F + body.side * (0.3F * sign)),
        unit(body.ahead + body.up * r.uniform(-0.4F, 0.4F) + body.side * (0.5F * sign)), look, r,
        objects);
    tag(objects, first, part(sign < 0.0F ? "antenna-1" : "antenna-2", root));
    cast.parts[head_part].carries.push_back(static_cast<std::uint8_t>(cast.parts.size() - 1));
  }

  const float fur = r.uniform() < 0.3F ? 0.0F : r.uniform(0.1F, 1.0F);
  const float fur_length = r.uniform(8.0F, 30.0F);
  const auto furry = [&](const Ellipsoid& e, int hairs, std::uint8_t of) {
    const std::size_t first = objects.size();
    comb(light, e, body, static_cast<int>(fur * static_cast<float>(hairs)), fur_length, r, objects);
    tag(objects, first, of);
  };
  furry(abdomen, 500, abdomen_part);
  furry(chest, 320, chest_part);
  furry(head, 160, head_part);

  const LegLook legs{.thickness = r.uniform(0.45F, 1.05F),
                     .bristles = static_cast<int>(r.uniform(0.0F, 60.0F)),
                     .colour = tint * 0.8F};
  const float reach = r.uniform(0.8F, 1.2F) * size;
  int number = 0;
  for (const float sign : {-1.0F, 1.0F}) {
    for (int i = 0; i < 3; ++i) {
      const float forward = (1.0F - static_cast<float>(i)) * r.uniform(0.75F, 1.2F);
      const Vec3f hip =
          i < 2 ? body.at(chest_at, (0.35F - 0.7F * static_cast<float>(i)) * chest_half[0],
                          -0.7F * chest_half[1], 0.45F * chest_half[2] * sign)
                : body.at(body.back, 0.75F * abdomen_half[0], -0.75F * abdomen_half[1],
                          0.5F * abdomen_half[2] * sign);
      // The foot stands on the ground as far along as the hip is, and a stride.
      const Vec3f way = g.along(0.0F);
      const float t0 =
          (hip - g.at(0.0F)).dot(way) / (0.5F * static_cast<float>(cv::norm(g.to - g.from)));
      const float ahead_t = body.ahead.dot(way) > 0.0F ? 1.0F : -1.0F;
      const float t = t0 + ahead_t * forward * 0.14F * reach;
      const float around = 0.35F + sign * r.uniform(0.3F, 0.9F);
      const Vec3f heel = g.surface(t, around, 5.0F);
      const Vec3f toe = g.surface(t + 0.04F * ahead_t, around + 0.1F * sign, 3.0F);
      const Vec3f knee = body.at((hip + heel) * 0.5F, 20.0F * forward * reach, 40.0F * reach,
                                 62.0F * sign * reach);
      const std::size_t first = objects.size();
      add_leg(light, body, legs, hip, knee, heel, toe, r, objects);
      tag(objects, first, part("leg-" + std::to_string(++number), hip));
    }
  }

  // Drops: on the animal's upper side and on what it stands on.
  const float u_per_px = kSceneWidth / static_cast<float>(width_px);
  const int count = static_cast<int>(r.uniform(6.0F, 45.0F));
  const std::array<std::pair<const Ellipsoid*, std::uint8_t>, 3> shells{
      {{&abdomen, abdomen_part}, {&chest, chest_part}, {&head, head_part}}};
  for (int i = 0; i < count;) {
    const float radius = u_per_px * 2.0F * std::pow(7.5F, r.uniform());  // 2 to 15 px, most small
    if (r.uniform() < 0.65F) {
      const auto& [e, of] = shells[static_cast<std::size_t>(r.uniform(0.0F, 2.999F))];
      const auto [at, normal] =
          on_surface(*e, unit({0.7F * r.normal(), r.uniform(0.0F, 1.0F), r.uniform(0.1F, 1.0F)}));
      if (normal[2] < 0.1F) continue;
      cast.drops.push_back({at + normal * (0.7F * radius), radius, r.next(), of});
    } else {
      cast.drops.push_back({g.surface(r.uniform(-0.8F, 0.8F), r.uniform(0.3F, 2.0F), 0.8F * radius),
                            radius, r.next(), kPerchPart});
    }
    ++i;
  }
}

}  // namespace

Cast varied_cast(std::uint64_t seed, Perch perch, const Light& light, int width_px) {
  Stream r(hash(seed, 10));
  const Ground ground = ground_for(perch, r);
  Cast cast;
  cast.glint = 8.0F;  // clips when sharp; as a disc it is dimmer
  cast.parts.push_back({"perch", {}, {}});
  switch (perch) {
    case Perch::seed_head:
      grow_seed_head(ground, light, seed, cast.objects);
      break;
    case Perch::stem:
      grow_stem(ground, light, seed, cast.objects);
      break;
    case Perch::leaf:
      grow_leaf(ground, light, seed, cast.objects);
      break;
  }
  put_animal(ground, light, seed, width_px, cast);
  return cast;
}

DepthRange depth_range(const Cast& cast) {
  float low = std::numeric_limits<float>::max(), high = -low;
  for (const Object& object : cast.objects) {
    if (object.part == kPerchPart) continue;
    for (const auto& solid : object.solids) {
      if (const auto* e = std::get_if<Ellipsoid>(&solid)) {
        float extent = 0.0F;
        for (int k = 0; k < 3; ++k) extent += std::pow(e->axes(2, k) * e->half[k], 2.0F);
        // What is seen of a body begins at its outline.
        low = std::min(low, e->centre[2]);
        high = std::max(high, e->centre[2] + std::sqrt(extent));
      } else {
        for (const Vec3f& p : std::get<Tube>(solid).points) {
          low = std::min(low, p[2]);
          high = std::max(high, p[2]);
        }
      }
    }
  }
  return {low, high};
}

}  // namespace ringsweep::maker
