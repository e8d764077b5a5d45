#include "maker/beetle.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "maker/anatomy.h"
#include "maker/paint.h"
#include "maker/random.h"

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

// ---- the seed-head

/// Its axis: from the tip, lower left and near, to the stalk, upper right and far. t from -1 to 1
/// across the picture.
Vec3f axis_at(float t) {
  return {700.0F * t, 148.0F - 125.0F * t + 30.0F * t * t,
          -238.0F * t - 12.0F * std::sin(3.0F * t)};
}

Vec3f to_tip(float t) { return unit(axis_at(t - 0.01F) - axis_at(t + 0.01F)); }

/// Unit vector square to the axis, at an angle around it: 0 is up, a quarter turn is to the camera.
Vec3f outward(float t, float angle) {
  const Vec3f tip = to_tip(t);
  const Vec3f up = square_to({0, -1, 0}, tip);
  const Vec3f front = square_to({0, 0, 1}, tip);
  const Vec3f side = square_to(front, up);
  return unit(up * std::cos(angle) + side * std::sin(angle));
}

/// Less light reaches what lies beneath the beetle.
float under_beetle(const Vec3f& at) {
  const float x = (at[0] - 10.0F) / 260.0F, y = (at[1] - 120.0F) / 70.0F;
  return 1.0F - 0.42F * std::exp(-x * x - y * y);
}

void grow_seed_head(const Light& light, std::uint64_t seed, std::vector<Object>& objects) {
  Stream r(hash(seed, 11));
  Tube stalk;
  for (float t = -1.25F; t <= 1.25F; t += 0.05F) {
    stalk.points.push_back(axis_at(t));
    stalk.radii.push_back(11.0F);
  }
  objects.push_back(
      {{stalk}, straw(light, hash(seed, 12), {0.24F, 0.27F, 0.11F}, under_beetle), true});

  constexpr float kStep = 0.027F;
  int whorl = 0;
  for (float t = -1.22F; t < 1.22F; t += kStep, ++whorl) {
    const int count = 6;
    for (int i = 0; i < count; ++i) {
      const float angle = 2.0F * kPi * (static_cast<float>(i) / count) +
                          (whorl % 2 == 0 ? 0.0F : kPi / count) + 0.22F * r.normal();
      const float place = t + 0.3F * kStep * r.normal();
      const Vec3f out = outward(place, angle), tip = to_tip(place);
      const float size = 1.0F + 0.11F * r.normal();
      const Vec3f dir = unit(tip * 0.86F + out * (0.50F + 0.08F * r.normal()) +
                             Vec3f(r.normal(), r.normal(), r.normal()) * 0.05F);
      const float half_length = 25.0F * size;
      const Vec3f base = axis_at(place) + out * 8.0F;
      const Vec3f centre = base + dir * (half_length * 0.95F);
      const Vec3f wide = square_to(out.cross(tip), dir);
      const std::uint64_t own = hash(seed, static_cast<std::uint64_t>(1000 + whorl * 16 + i));
      const float warm = r.uniform(0.8F, 1.15F);
      const Vec3f tint(warm, r.uniform(0.9F, 1.05F), r.uniform(0.75F, 1.1F));
      objects.push_back({{Ellipsoid{centre,
                                    columns(dir, wide, unit(dir.cross(wide))),
                                    {half_length, 10.5F * size, 8.0F * size}}},
                         husk(light, own, tint * r.uniform(0.8F, 1.2F), half_length, under_beetle),
                         true});

      // The awn, a stiff bristle from the husk's point.
      if (r.uniform() < 0.55F) {
        const float length = r.uniform(45.0F, 105.0F);
        const Vec3f start = centre + dir * (half_length * 0.93F);
        Vec3f heading = unit(dir + out * 0.22F + Vec3f(r.normal(), r.normal(), r.normal()) * 0.12F);
        const Vec3f bend = Vec3f(r.normal(), r.normal(), r.normal()) * 0.06F;
        Tube awn;
        Vec3f at = start;
        for (int k = 0; k <= 6; ++k) {
          awn.points.push_back(at);
          awn.radii.push_back(1.25F - 0.14F * static_cast<float>(k));
          at += heading * (length / 6.0F);
          heading = unit(heading + bend);
        }
        objects.push_back({{awn},
                           straw(light, own + 1, Vec3f(0.52F, 0.43F, 0.24F) * r.uniform(0.7F, 1.2F),
                                 under_beetle),
                           true});
      }
      // Short hairs along the husk's edge.
      for (int h = 0; h < 3; ++h) {
        const float around = r.uniform(-1.2F, 1.2F) + (h % 2 == 0 ? 0.0F : kPi);
        const Vec3f side = unit(wide * std::cos(around) + unit(dir.cross(wide)) * std::sin(around));
        const Vec3f root =
            centre + dir * (half_length * r.uniform(-0.2F, 0.7F)) + side * (7.5F * size);
        const Vec3f end = root + unit(dir * 0.7F + side) * r.uniform(8.0F, 17.0F);
        objects.push_back({{Tube{{root, end}, {0.6F, 0.25F}}},
                           straw(light, own + 2, {0.62F, 0.56F, 0.38F}, under_beetle),
                           true});
      }
    }
  }
}

// ---- the beetle

void hang_drops(const std::vector<std::pair<Ellipsoid, std::uint8_t>>& shells, std::uint64_t seed,
                std::vector<Drop>& drops) {
  Stream r(hash(seed, 31));
  const auto hang = [&](const Vec3f& at, float radius, std::uint8_t part) {
    drops.push_back({at, radius, r.next(), part});
  };
  for (const auto& [e, part] : shells) {
    for (int i = 0; i < 3;) {
      const Vec3f on = unit({0.6F * r.normal(), r.uniform(0.1F, 1.0F), r.uniform(0.2F, 1.0F)});
      const Vec3f normal =
          unit(e.axes * Vec3f(on[0] / e.half[0], on[1] / e.half[1], on[2] / e.half[2]));
      if (normal[2] < 0.15F) continue;
      ++i;
      const float radius = r.uniform(5.0F, 10.0F);
      const Vec3f local(on[0] * e.half[0], on[1] * e.half[1], on[2] * e.half[2]);
      hang(e.centre + e.axes * local + normal * (0.75F * radius), radius, part);
    }
  }
  for (int i = 0; i < 7; ++i) {  // on the seed-head
    const float t = r.uniform(-0.85F, 0.85F);
    const float radius = r.uniform(4.5F, 9.0F);
    hang(axis_at(t) + outward(t, r.uniform(0.5F, 2.2F)) * (34.0F + radius), radius, kPerchPart);
  }
}

void put_beetle(const Light& light, std::uint64_t seed, Cast& cast) {
  Stream r(hash(seed, 21));
  std::vector<Object>& objects = cast.objects;
  const auto part = [&cast](const std::string& name, const Vec3f& joint,
                            std::vector<std::uint8_t> carries = {}) {
    cast.parts.push_back({name, joint, std::move(carries)});
    return static_cast<std::uint8_t>(cast.parts.size() - 1);
  };
  Body body;
  body.ahead = unit({-0.84F, 0.10F, 0.50F});
  body.up = square_to({-0.06F, -0.90F, 0.40F}, body.ahead);
  body.side = body.ahead.cross(body.up);
  if (body.side[2] < 0.0F) body.side *= -1.0F;
  body.back = {95.0F, -55.0F, -60.0F};

  const Ellipsoid cases{body.back, body.axes(), {168.0F, 92.0F, 106.0F}};
  const Vec3f chest_at = body.at(body.back, 172.0F, -6.0F, 0.0F);
  const Ellipsoid chest{chest_at, body.axes(), {66.0F, 66.0F, 76.0F}};
  const Vec3f head_at = body.at(chest_at, 76.0F, -20.0F, 0.0F);
  const Ellipsoid head{head_at, body.axes(), {46.0F, 41.0F, 47.0F}};
  const Ellipsoid face{body.at(head_at, 36.0F, -16.0F, 0.0F), body.axes(), {24.0F, 22.0F, 28.0F}};
  const Ellipsoid belly{
      body.at(body.back, 40.0F, -48.0F, 0.0F), body.axes(), {160.0F, 48.0F, 80.0F}};
  const std::uint8_t abdomen_part = part("abdomen", body.at(chest_at, -60.0F, 0.0F, 0.0F));
  const std::uint8_t chest_part = part("chest", chest_at);
  const std::uint8_t head_part = part("head", body.at(chest_at, 55.0F, -12.0F, 0.0F));
  objects.push_back({{cases}, wing_cases(light, hash(seed, 22), cases.half), true, abdomen_part});
  objects.push_back({{chest}, shell(light, hash(seed, 23), 5.2F, 0.05F), true, chest_part});
  std::size_t first = objects.size();
  objects.push_back({{head}, shell(light, hash(seed, 24), 4.6F, 0.05F), true});
  objects.push_back({{face}, shell(light, hash(seed, 25), 4.2F, 0.06F), true});
  tag(objects, first, head_part);
  objects.push_back(
      {{belly}, limb(light, hash(seed, 26), {0.10F, 0.06F, 0.035F}), true, abdomen_part});
  for (const float sign : {-1.0F, 1.0F}) {
    const Ellipsoid eye{
        body.at(head_at, 10.0F, 13.0F, 37.0F * sign), body.axes(), {17.0F, 20.0F, 14.0F}};
    first = objects.size();
    objects.push_back({{eye}, facets(light, hash(seed, 27)), true});
    const Vec3f jaw = body.at(face.centre, 14.0F, -10.0F, 11.0F * sign);
    objects.push_back({{Tube{{jaw, body.at(jaw, 15.0F, -6.0F, 3.0F * sign),
                              body.at(jaw, 24.0F, -12.0F, -6.0F * sign)},
                             {7.0F, 5.5F, 1.5F}}},
                       limb(light, hash(seed, 28), {0.08F, 0.045F, 0.03F}),
                       true});
    tag(objects, first, head_part);
    first = objects.size();
    const Vec3f root = body.at(head_at, 34.0F, 12.0F, 24.0F * sign);
    add_antenna(light, root,
                unit(body.ahead * 0.55F + body.up * 0.85F + body.side * (0.10F + 0.25F * sign)),
                unit(body.ahead * 0.95F - body.up * 0.30F - body.side * (0.35F - 0.30F * sign)), {},
                r, objects);
    tag(objects, first, part(sign < 0.0F ? "antenna-1" : "antenna-2", root));
    cast.parts[head_part].carries.push_back(static_cast<std::uint8_t>(cast.parts.size() - 1));
  }

  first = objects.size();
  comb(light, cases, body, 420, 17.0F, r, objects);
  tag(objects, first, abdomen_part);
  first = objects.size();
  comb(light, chest, body, 260, 15.0F, r, objects);
  tag(objects, first, chest_part);
  first = objects.size();
  comb(light, head, body, 130, 11.0F, r, objects);
  tag(objects, first, head_part);

  // Feet stand on the seed-head: at t along its axis, at an angle around it.
  const auto ground = [](float t, float angle, float height) {
    return axis_at(t) + outward(t, angle) * height;
  };
  struct Pose {
    Vec3f hip;
    float foot_t, foot_angle, knee_forward, knee_up, knee_side;
  };
  int legs = 0;
  for (const float sign : {-1.0F, 1.0F}) {
    const std::array<Pose, 3> poses{
        Pose{body.at(chest_at, 14.0F, -48.0F, 34.0F * sign), -0.33F - 0.03F * sign,
             0.5F + 0.5F * sign, 62.0F, 26.0F, 46.0F},
        Pose{body.at(body.back, 92.0F, -74.0F, 52.0F * sign), -0.04F, 0.45F + 0.75F * sign, 4.0F,
             34.0F, 82.0F},
        Pose{body.at(body.back, -18.0F, -76.0F, 58.0F * sign), 0.33F, 0.45F + 0.65F * sign, -66.0F,
             44.0F, 66.0F}};
    for (const Pose& pose : poses) {
      const Vec3f heel = ground(pose.foot_t, pose.foot_angle, 40.0F);
      const Vec3f toe = ground(pose.foot_t - 0.045F, pose.foot_angle + 0.1F * sign, 38.0F);
      const Vec3f knee = body.at(pose.hip, pose.knee_forward, pose.knee_up, pose.knee_side * sign);
      first = objects.size();
      add_leg(light, body, {}, pose.hip, knee, heel, toe, r, objects);
      tag(objects, first, part("leg-" + std::to_string(++legs), pose.hip));
    }
  }
  hang_drops({{cases, abdomen_part}, {chest, chest_part}}, seed, cast.drops);
}

/// Size of a coarse raster that covers the whole of the fine one.
cv::Size coarse_size(const Scene& scene, int reduction) {
  return {scene.width / reduction + 1, scene.height / reduction + 1};
}

}  // namespace

Cast beetle_on_seed_head(std::uint64_t seed, const Light& light) {
  Cast cast;
  cast.parts.push_back({"perch", {}, {}});
  grow_seed_head(light, seed, cast.objects);
  put_beetle(light, seed, cast);
  return cast;
}

void hang_veils(std::uint64_t seed, const SceneFrame& frame, bool with_blade, Scene& scene) {
  // About 2.5 scene units per pixel of the background, half of that for the blade.
  const double per_u = frame.raster_per_u();
  const auto scene_point = [&](int x, int y, int reduction) {
    const auto of = [&](int i, int side) {
      return static_cast<float>(((i + 0.5) * reduction - side / 2.0) / per_u);
    };
    return cv::Vec2f(of(x, scene.width), of(y, scene.height));
  };

  Veil& far = scene.background;
  far.reduction = std::max(1, static_cast<int>(std::lround(4.0 * per_u)));
  far.q_px = -85.0F;
  far.rgba.create(coarse_size(scene, far.reduction), CV_32FC4);
  for (int y = 0; y < far.rgba.rows; ++y) {
    for (int x = 0; x < far.rgba.cols; ++x) {
      const cv::Vec2f p = scene_point(x, y, far.reduction);
      const Vec3f at(p[0], p[1], 0.0F);
      const float height =
          p[1] / 375.0F + 0.10F * natural_noise(at, 500.0F, 200.0F, hash(seed, 41));
      Vec3f rgb = mix({0.235F, 0.285F, 0.300F}, {0.330F, 0.300F, 0.225F},
                      smooth_step(-1.1F, -0.1F, height));
      rgb = mix(rgb, {0.120F, 0.165F, 0.080F}, smooth_step(-0.15F, 1.0F, height));
      rgb *= contrast(natural_noise(at, 360.0F, 60.0F, hash(seed, 42)), 0.20F);
      const Cell bloom = cell_at(at * (1.0F / 210.0F), hash(seed, 43));
      if (cell_value(bloom, 0) < 0.16F && height > 0.1F) {
        rgb = mix(rgb, {0.42F, 0.30F, 0.40F},
                  0.5F * (1.0F - smooth_step(0.06F, 0.22F, bloom.centre)));
      }
      far.rgba.at<cv::Vec4f>(y, x) = {rgb[0], rgb[1], rgb[2], 1.0F};
    }
  }

  if (!with_blade) return;
  Veil& blade = scene.front;
  blade.reduction = std::max(1, static_cast<int>(std::lround(2.0 * per_u)));
  blade.q_px = 70.0F;
  blade.rgba.create(coarse_size(scene, blade.reduction), CV_32FC4);
  for (int y = 0; y < blade.rgba.rows; ++y) {
    for (int x = 0; x < blade.rgba.cols; ++x) {
      const cv::Vec2f p = scene_point(x, y, blade.reduction);
      // A bent strip from the lower edge to the right edge, tapering.
      const float rise = (405.0F - p[1]) / 405.0F;
      const float middle = 258.0F + 258.0F * rise - 70.0F * rise * rise;
      const float half_width = 27.0F * (1.0F - 0.75F * std::clamp(rise, 0.0F, 1.0F));
      const float off = p[0] - middle;
      const float alpha = std::clamp((half_width - std::abs(off)) / 2.0F + 0.5F, 0.0F, 1.0F) *
                          (1.0F - smooth_step(0.95F, 1.0F, rise));
      const float rib = 1.0F - 0.3F * std::exp(-off * off / 25.0F);
      const Vec3f rgb =
          Vec3f(0.13F, 0.24F, 0.06F) *
          (rib *
           contrast(natural_noise({p[0], p[1] * 0.2F, 0.0F}, 50.0F, 6.0F, hash(seed, 51)), 0.25F));
      blade.rgba.at<cv::Vec4f>(y, x) = {rgb[0] * alpha, rgb[1] * alpha, rgb[2] * alpha, alpha};
    }
  }
}

}  // namespace ringsweep::maker
