#include "maker/beetle.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>

#include "maker/paint.h"
#include "maker/random.h"

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

constexpr float kPi = std::numbers::pi_v<float>;

Vec3f unit(const Vec3f& v) { return v * (1.0F / static_cast<float>(cv::norm(v))); }

/// v without its component along the unit vector `along`, normalised.
Vec3f square_to(const Vec3f& v, const Vec3f& along) { return unit(v - along * v.dot(along)); }

cv::Matx33f columns(const Vec3f& a, const Vec3f& b, const Vec3f& c) {
  return {a[0], b[0], c[0], a[1], b[1], c[1], a[2], b[2], c[2]};
}

/// A diffused flash from the upper left, a reflector at the right, the sky.
Vec3f lit(const Hit& hit, const Vec3f& albedo, float gloss) {
  static const Vec3f key = unit({-0.45F, -0.72F, 0.62F});
  static const Vec3f fill = unit({0.75F, -0.15F, 0.55F});
  static const Vec3f half = unit(key + Vec3f(0, 0, 1));
  const Vec3f& n = hit.normal;
  // The diffuser is large: its light reaches a little around the edge.
  const float wrapped = std::max(0.0F, (n.dot(key) + 0.25F) / 1.25F);
  const float sky = 0.5F - 0.5F * n[1];
  const float light = 0.16F + 0.20F * sky + 0.95F * wrapped + 0.22F * std::max(0.0F, n.dot(fill));
  const float shine = gloss * std::pow(std::max(0.0F, n.dot(half)), 18.0F);
  return albedo * light + Vec3f(0.95F, 0.97F, 1.0F) * shine;
}

float contrast(float noise_value, float strength) { return std::exp(strength * noise_value); }

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

Shader husk(std::uint64_t seed, const Vec3f& tint, float half_length) {
  return [=](const Hit& hit, float raster_u) {
    const Vec3f stretched(hit.local[0] * 0.28F, hit.local[1], hit.local[2]);
    const float streaks = natural_noise(stretched, 7.0F, 1.1F * raster_u, seed);
    const float grain = natural_noise(hit.local, 16.0F, 1.3F * raster_u, seed + 1);
    const Cell spot = cell_at(hit.local * (1.0F / 3.4F), seed + 2);
    const float freckle =
        cell_value(spot, 0) < 0.4F ? 1.0F - smooth_step(0.25F, 0.45F, spot.centre) : 0.0F;
    const float around = std::atan2(hit.local[2], hit.local[1]);
    const float ribs = 0.5F + 0.5F * std::cos(around * 9.0F + 0.7F * streaks);
    const float along = std::clamp(0.5F + 0.5F * hit.local[0] / half_length, 0.0F, 1.0F);
    const Vec3f dry(0.50F, 0.40F, 0.20F), green(0.25F, 0.31F, 0.10F);
    Vec3f albedo = mix(green, dry, smooth_step(0.0F, 0.8F, along + 0.2F * grain));
    albedo = albedo.mul(tint) * (0.62F + 0.38F * ribs) *
             contrast(0.75F * streaks + 0.50F * grain, 1.0F) * (1.0F - 0.6F * freckle);
    // Deep between its neighbours it is dark.
    const float depth = 0.30F + 0.70F * smooth_step(0.0F, 0.75F, along);
    return lit(hit, albedo * depth * under_beetle(hit.position), 0.03F);
  };
}

Shader straw(std::uint64_t seed, const Vec3f& colour) {
  return [=](const Hit& hit, float raster_u) {
    const float grain = natural_noise({hit.local[0] * 0.3F, hit.local[1], hit.local[2]}, 9.0F,
                                      1.3F * raster_u, seed);
    const float barbs = 0.8F + 0.2F * std::sin(hit.local[0] * 0.9F);
    return lit(hit, colour * barbs * contrast(grain, 0.4F) * under_beetle(hit.position), 0.06F);
  };
}

void grow_seed_head(std::uint64_t seed, std::vector<Object>& objects) {
  Stream r(hash(seed, 11));
  Tube stalk;
  for (float t = -1.25F; t <= 1.25F; t += 0.05F) {
    stalk.points.push_back(axis_at(t));
    stalk.radii.push_back(11.0F);
  }
  objects.push_back({{stalk}, straw(hash(seed, 12), {0.24F, 0.27F, 0.11F}), true});

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
                         husk(own, tint * r.uniform(0.8F, 1.2F), half_length),
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
        objects.push_back(
            {{awn}, straw(own + 1, Vec3f(0.52F, 0.43F, 0.24F) * r.uniform(0.7F, 1.2F)), true});
      }
      // Short hairs along the husk's edge.
      for (int h = 0; h < 3; ++h) {
        const float around = r.uniform(-1.2F, 1.2F) + (h % 2 == 0 ? 0.0F : kPi);
        const Vec3f side = unit(wide * std::cos(around) + unit(dir.cross(wide)) * std::sin(around));
        const Vec3f root =
            centre + dir * (half_length * r.uniform(-0.2F, 0.7F)) + side * (7.5F * size);
        const Vec3f end = root + unit(dir * 0.7F + side) * r.uniform(8.0F, 17.0F);
        objects.push_back(
            {{Tube{{root, end}, {0.6F, 0.25F}}}, straw(own + 2, {0.62F, 0.56F, 0.38F}), true});
      }
    }
  }
}

// ---- the beetle

struct Body {
  Vec3f ahead, up, side;  ///< unit vectors; side points to the camera's half
  Vec3f back;             ///< centre of the wing cases

  [[nodiscard]] Vec3f at(const Vec3f& origin, float forward, float upward, float sideward) const {
    return origin + ahead * forward + up * upward + side * sideward;
  }
  [[nodiscard]] cv::Matx33f axes() const { return columns(ahead, up, side); }
};

/// Scales like tiles, each of its own colour, in drifts of a kind; copper to green.
Vec3f scales(const Vec3f& local, float raster_u, std::uint64_t seed, float size) {
  const float drift = natural_noise(local, 60.0F, 15.0F, seed + 3);
  const Vec3f wobble(noise(local * 0.13F, seed + 4), noise(local * 0.13F, seed + 5), 0.0F);
  const Cell cell = cell_at(local * (1.0F / size) + wobble * 0.25F, seed);
  const float kind = cell_value(cell, 0) + 0.55F * drift;
  Vec3f colour(0.10F, 0.055F, 0.03F);                 // bare, dark
  if (kind > 0.34F) colour = {0.30F, 0.155F, 0.06F};  // copper
  if (kind > 0.62F) colour = {0.09F, 0.24F, 0.15F};   // green
  if (kind > 0.90F) colour = {0.48F, 0.40F, 0.24F};   // pale
  colour = colour * (0.6F + 0.8F * cell_value(cell, 1));
  const float rim = smooth_step(0.0F, 0.22F, cell.edge);
  const float dome = 1.15F - 0.5F * cell.centre;
  const float grain = natural_noise(local, 9.0F, 1.2F * raster_u, seed + 6);
  return colour * ((0.30F + 0.70F * rim) * dome * contrast(grain, 0.42F));
}

Shader wing_cases(std::uint64_t seed, const Vec3f& half) {
  return [=](const Hit& hit, float raster_u) {
    const float around = std::atan2(hit.local[2] / half[2], hit.local[1] / half[1]);
    const float width = std::sqrt(std::max(0.0F, 1.0F - std::pow(hit.local[0] / half[0], 2.0F)));
    // Ten grooves on each side; the seam between the two cases is the one at the top.
    const float groove_step = kPi / 20.0F;
    const float from_groove = std::remainder(around, groove_step) * half[1] * width;
    const float groove = 1.0F - smooth_step(0.6F, 2.6F, std::abs(from_groove));
    const float pit_way =
        std::remainder(hit.local[0] + 3.0F * std::round(around / groove_step), 10.0F);
    const float pit = 1.0F - smooth_step(2.0F, 3.6F, std::hypot(from_groove, pit_way));
    const float seam = 1.0F - smooth_step(0.5F, 2.2F, std::abs(around) * half[1] * width);
    Vec3f albedo = scales(hit.local, raster_u, seed, 6.2F);
    albedo *= (1.0F - 0.55F * groove) * (1.0F - 0.75F * pit) * (1.0F - 0.7F * seam);
    return lit(hit, albedo, 0.05F * (1.0F - groove));
  };
}

Shader shell(std::uint64_t seed, float size, float gloss) {
  return [=](const Hit& hit, float raster_u) {
    Vec3f albedo = scales(hit.local, raster_u, seed, size);
    const Cell pit = cell_at(hit.local * (1.0F / 9.0F), seed + 9);
    albedo *= 1.0F - 0.7F * (1.0F - smooth_step(0.15F, 0.32F, pit.centre));
    return lit(hit, albedo, gloss);
  };
}

Shader facets(std::uint64_t seed) {
  return [=](const Hit& hit, float raster_u) {
    const Cell facet = cell_at(hit.local * (1.0F / 3.0F), seed);
    const float rim = smooth_step(0.0F, 0.25F, facet.edge);
    const float grain = natural_noise(hit.local, 5.0F, 1.2F * raster_u, seed + 1);
    const Vec3f albedo =
        Vec3f(0.055F, 0.035F, 0.03F) * (0.35F + 0.65F * rim) * contrast(grain, 0.25F);
    return lit(hit, albedo, 0.35F * rim);
  };
}

Shader limb(std::uint64_t seed, const Vec3f& colour) {
  return [=](const Hit& hit, float raster_u) {
    const Vec3f skin(hit.local[0] * 0.7F, hit.local[1], hit.local[2]);
    const Cell cell = cell_at(skin * (1.0F / 4.6F), seed);
    const float rim = smooth_step(0.0F, 0.25F, cell.edge);
    const float grain = natural_noise(skin, 10.0F, 1.2F * raster_u, seed + 1);
    const Vec3f albedo =
        colour * ((0.45F + 0.55F * rim) * (0.5F + cell_value(cell, 2)) * contrast(grain, 0.42F));
    return lit(hit, albedo, 0.05F);
  };
}

Shader hair(const Vec3f& colour) {
  return [=](const Hit& hit, float) { return lit(hit, colour, 0.10F); };
}

/// Hairs on the camera's side of an ellipsoid, combed backwards.
void comb(const Ellipsoid& e, const Body& body, int count, float length, Stream& r,
          std::vector<Object>& objects) {
  for (int i = 0; i < count;) {
    const Vec3f on = unit({r.normal(), r.normal(), r.normal()});
    const Vec3f local(on[0] * e.half[0], on[1] * e.half[1], on[2] * e.half[2]);
    const Vec3f normal =
        unit(e.axes * Vec3f(on[0] / e.half[0], on[1] / e.half[1], on[2] / e.half[2]));
    if (normal[2] < -0.2F) continue;
    ++i;
    const Vec3f root = e.centre + e.axes * local * 0.99F;
    const Vec3f lean = Vec3f(r.normal(), r.normal(), r.normal()) * 0.18F;
    const float l = length * r.uniform(0.7F, 1.3F);
    const Vec3f middle = root + unit(normal * 0.9F - body.ahead * 0.5F + lean) * (0.5F * l);
    const Vec3f end = middle + unit(normal * 0.4F - body.ahead * 0.9F + lean) * (0.5F * l);
    objects.push_back({{Tube{{root, middle, end}, {0.75F, 0.6F, 0.25F}}},
                       hair(Vec3f(0.50F, 0.40F, 0.24F) * r.uniform(0.5F, 1.3F)),
                       true});
  }
}

/// Thigh, shin, foot of four beads and two claws.
void add_leg(const Body& body, const Vec3f& hip, const Vec3f& knee, const Vec3f& heel,
             const Vec3f& toe, Stream& r, std::vector<Object>& objects) {
  const std::uint64_t own = r.next();
  const Vec3f dark(0.20F, 0.105F, 0.05F);
  Tube thigh, shin, foot;
  for (int k = 0; k <= 6; ++k) {
    const float t = static_cast<float>(k) / 6.0F;
    thigh.points.push_back(hip + (knee - hip) * t);
    thigh.radii.push_back(11.0F + 7.0F * std::sin(kPi * std::min(1.0F, 0.2F + 0.75F * t)));
    shin.points.push_back(knee + (heel - knee) * t + body.side * (5.0F * std::sin(kPi * t)));
    shin.radii.push_back(9.0F - 2.0F * std::sin(kPi * t) + 0.5F * t);
  }
  for (int k = 0; k <= 16; ++k) {
    const float t = static_cast<float>(k) / 16.0F;
    foot.points.push_back(heel + (toe - heel) * t);
    foot.radii.push_back(3.6F + 3.2F * std::abs(std::sin(4.0F * kPi * t)));
  }
  objects.push_back({{thigh}, limb(own, dark), true});
  objects.push_back({{shin}, limb(own + 1, dark * 1.1F), true});
  objects.push_back({{foot}, limb(own + 2, dark * 0.9F), true});
  const Vec3f stride = unit(toe - heel);
  for (const float sign : {-1.0F, 1.0F}) {
    const Vec3f spread = unit(stride + body.side * (0.6F * sign));
    objects.push_back({{Tube{{toe, toe + spread * 7.0F, toe + spread * 11.0F - body.up * 4.0F},
                             {2.4F, 1.6F, 0.6F}}},
                       hair({0.07F, 0.04F, 0.025F}),
                       true});
  }
  for (int i = 0; i < 46; ++i) {  // bristles
    const bool upper = r.uniform() < 0.45F;
    const Vec3f a = upper ? hip : knee, b = upper ? knee : heel;
    const Vec3f along = unit(b - a);
    const Vec3f out = square_to({r.normal(), r.normal(), r.normal() + 0.6F}, along);
    const Vec3f root = a + (b - a) * r.uniform(0.1F, 1.0F) + out * (upper ? 13.0F : 7.5F);
    const Vec3f end = root + unit(out * 0.6F + along) * r.uniform(8.0F, 15.0F);
    objects.push_back({{Tube{{root, end}, {0.65F, 0.25F}}},
                       hair(Vec3f(0.45F, 0.36F, 0.22F) * r.uniform(0.5F, 1.2F)),
                       true});
  }
}

void add_antenna(const Vec3f& root, const Vec3f& first, const Vec3f& then, Stream& r,
                 std::vector<Object>& objects) {
  Tube antenna;
  Vec3f at = root;
  constexpr int kBeads = 11, kPerBead = 6;
  for (int k = 0; k <= kBeads * kPerBead; ++k) {
    const float t = static_cast<float>(k) / (kBeads * kPerBead);
    antenna.points.push_back(at);
    const float bead = std::abs(std::sin(kPi * static_cast<float>(k) / kPerBead));
    antenna.radii.push_back(2.4F + (2.6F + 1.6F * t) * bead);
    at += unit(mix(first, then, smooth_step(0.0F, 1.0F, t))) * (205.0F / (kBeads * kPerBead));
  }
  objects.push_back({{antenna}, limb(r.next(), {0.24F, 0.12F, 0.055F}), true});
}

/// A small drop: dark rim, a picture of the surroundings upside down, the flash as a bright spot.
Shader dew(std::uint64_t seed) {
  return [=](const Hit& hit, float) {
    const float up = hit.normal[1];
    const float rim = smooth_step(0.35F, 0.80F, hit.normal[2]);
    Vec3f inside = mix({0.46F, 0.44F, 0.38F}, {0.10F, 0.12F, 0.07F}, smooth_step(-0.6F, 0.6F, -up));
    inside *= 1.0F + 0.3F * noise(hit.normal * 4.0F, seed);
    Vec3f rgb = inside * (0.10F + 0.90F * rim);
    static const Vec3f glint = unit(Vec3f(-0.45F, -0.72F, 0.62F) + Vec3f(0, 0, 1));
    const float shine = smooth_step(0.975F, 0.985F, hit.normal.dot(glint));
    return mix(rgb, {2.2F, 2.2F, 2.2F}, shine);
  };
}

int hang_drops(const std::vector<Ellipsoid>& shells, std::uint64_t seed,
               std::vector<Object>& objects) {
  Stream r(hash(seed, 31));
  int drops = 0;
  const auto hang = [&](const Vec3f& at, float radius) {
    objects.push_back({{Ellipsoid{at, cv::Matx33f::eye(), {radius, radius * 0.94F, radius}}},
                       dew(r.next()),
                       true});
    ++drops;
  };
  for (const Ellipsoid& e : shells) {
    for (int i = 0; i < 3;) {
      const Vec3f on = unit({0.6F * r.normal(), r.uniform(0.1F, 1.0F), r.uniform(0.2F, 1.0F)});
      const Vec3f normal =
          unit(e.axes * Vec3f(on[0] / e.half[0], on[1] / e.half[1], on[2] / e.half[2]));
      if (normal[2] < 0.15F) continue;
      ++i;
      const float radius = r.uniform(5.0F, 10.0F);
      const Vec3f local(on[0] * e.half[0], on[1] * e.half[1], on[2] * e.half[2]);
      hang(e.centre + e.axes * local + normal * (0.75F * radius), radius);
    }
  }
  for (int i = 0; i < 7; ++i) {  // on the seed-head
    const float t = r.uniform(-0.85F, 0.85F);
    const float radius = r.uniform(4.5F, 9.0F);
    hang(axis_at(t) + outward(t, r.uniform(0.5F, 2.2F)) * (34.0F + radius), radius);
  }
  return drops;
}

int put_beetle(std::uint64_t seed, std::vector<Object>& objects) {
  Stream r(hash(seed, 21));
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
  objects.push_back({{cases}, wing_cases(hash(seed, 22), cases.half), true});
  objects.push_back({{chest}, shell(hash(seed, 23), 5.2F, 0.05F), true});
  objects.push_back({{head}, shell(hash(seed, 24), 4.6F, 0.05F), true});
  objects.push_back({{face}, shell(hash(seed, 25), 4.2F, 0.06F), true});
  objects.push_back({{belly}, limb(hash(seed, 26), {0.10F, 0.06F, 0.035F}), true});
  for (const float sign : {-1.0F, 1.0F}) {
    const Ellipsoid eye{
        body.at(head_at, 10.0F, 13.0F, 37.0F * sign), body.axes(), {17.0F, 20.0F, 14.0F}};
    objects.push_back({{eye}, facets(hash(seed, 27)), true});
    const Vec3f jaw = body.at(face.centre, 14.0F, -10.0F, 11.0F * sign);
    objects.push_back({{Tube{{jaw, body.at(jaw, 15.0F, -6.0F, 3.0F * sign),
                              body.at(jaw, 24.0F, -12.0F, -6.0F * sign)},
                             {7.0F, 5.5F, 1.5F}}},
                       limb(hash(seed, 28), {0.08F, 0.045F, 0.03F}),
                       true});
    add_antenna(body.at(head_at, 34.0F, 12.0F, 24.0F * sign),
                unit(body.ahead * 0.55F + body.up * 0.85F + body.side * (0.10F + 0.25F * sign)),
                unit(body.ahead * 0.95F - body.up * 0.30F - body.side * (0.35F - 0.30F * sign)), r,
                objects);
  }

  comb(cases, body, 420, 17.0F, r, objects);
  comb(chest, body, 260, 15.0F, r, objects);
  comb(head, body, 130, 11.0F, r, objects);

  // Feet stand on the seed-head: at t along its axis, at an angle around it.
  const auto ground = [](float t, float angle, float height) {
    return axis_at(t) + outward(t, angle) * height;
  };
  struct Pose {
    Vec3f hip;
    float foot_t, foot_angle, knee_forward, knee_up, knee_side;
  };
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
      add_leg(body, pose.hip, knee, heel, toe, r, objects);
    }
  }
  return hang_drops({cases, chest}, seed, objects);
}

/// Size of a coarse raster that covers the whole of the fine one.
cv::Size coarse_size(const Scene& scene, int reduction) {
  return {scene.width / reduction + 1, scene.height / reduction + 1};
}

}  // namespace

Meadow beetle_on_seed_head(std::uint64_t seed) {
  Meadow meadow;
  grow_seed_head(seed, meadow.objects);
  meadow.drops = put_beetle(seed, meadow.objects);
  return meadow;
}

void hang_veils(std::uint64_t seed, const SceneFrame& frame, Scene& scene) {
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
