#include "maker/shaders.h"

#include <algorithm>
#include <cmath>

#include "maker/paint.h"
#include "maker/vectors.h"

namespace ringsweep::maker {
namespace {

using cv::Vec3f;

/// A diffused flash from the upper left, a reflector at the right, the sky.
Vec3f lit(const Light& light, const Hit& hit, const Vec3f& albedo, float gloss) {
  const Vec3f& n = hit.normal;
  // The diffuser is large: its light reaches a little around the edge.
  const float wrapped = std::max(0.0F, (n.dot(light.key) + 0.25F) / 1.25F);
  const float sky = 0.5F - 0.5F * n[1];
  const float brightness =
      0.16F + 0.20F * sky + 0.95F * wrapped + 0.22F * std::max(0.0F, n.dot(light.fill));
  const float shine = gloss * std::pow(std::max(0.0F, n.dot(light.half)), 18.0F);
  return albedo * brightness + Vec3f(0.95F, 0.97F, 1.0F) * shine;
}

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

/// Share of the light that a drop throws back, by its normal: the lights' shape in small.
float highlight(const Light& light, const Vec3f& normal) {
  switch (light.shape) {
    case Lights::square:
      break;
    case Lights::round:
      return smooth_step(0.975F, 0.985F, normal.dot(light.half));
    case Lights::point:
      return smooth_step(0.9955F, 0.9985F, normal.dot(light.half));
    case Lights::two: {
      const Vec3f other = unit(light.half + light.across * 0.55F);
      return std::max(smooth_step(0.984F, 0.992F, normal.dot(light.half)),
                      smooth_step(0.984F, 0.992F, normal.dot(other)));
    }
  }
  const Vec3f down = light.half.cross(light.across);
  const float off = std::max(std::abs(normal.dot(light.across)), std::abs(normal.dot(down)));
  return normal.dot(light.half) > 0.0F ? 1.0F - smooth_step(0.17F, 0.20F, off) : 0.0F;
}

/// Its mean over a raster pixel: on a small drop a lamp's picture is smaller than that.
float highlight_over_pixel(const Light& light, const Hit& hit, float raster_u) {
  constexpr int kSide = 6;  // a point light's picture on a drop of 2 px is half a raster pixel wide
  const float radius_u = static_cast<float>(cv::norm(hit.local));
  if (radius_u <= 0.0F) return highlight(light, hit.normal);
  float sum = 0.0F;
  for (int j = 0; j < kSide; ++j)
    for (int i = 0; i < kSide; ++i) {
      const auto off = [&](int k) {
        return ((static_cast<float>(k) + 0.5F) / kSide - 0.5F) * raster_u / radius_u;
      };
      const float x = hit.normal[0] + off(i), y = hit.normal[1] + off(j);
      sum += highlight(light, unit({x, y, std::sqrt(std::max(0.0F, 1.0F - x * x - y * y))}));
    }
  return sum / (kSide * kSide);
}

}  // namespace

Light light_from(float turn_deg, Lights shape) {
  const cv::Matx33f turn = turned({0, 0, 1}, turn_deg * kPi / 180.0F);
  Light light;
  light.key = turn * unit({-0.45F, -0.72F, 0.62F});
  light.fill = unit({0.75F, -0.15F, 0.55F});
  light.half = unit(light.key + Vec3f(0, 0, 1));
  light.across = square_to({1, 0, 0}, light.half);
  light.shape = shape;
  return light;
}

Shader husk(const Light& light, std::uint64_t seed, const Vec3f& tint, float half_length,
            const Shade& shade) {
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
    return lit(light, hit, albedo * depth * shade(hit.position), 0.03F);
  };
}

Shader straw(const Light& light, std::uint64_t seed, const Vec3f& colour, const Shade& shade) {
  return [=](const Hit& hit, float raster_u) {
    const float grain = natural_noise({hit.local[0] * 0.3F, hit.local[1], hit.local[2]}, 9.0F,
                                      1.3F * raster_u, seed);
    const float barbs = 0.8F + 0.2F * std::sin(hit.local[0] * 0.9F);
    return lit(light, hit, colour * barbs * contrast(grain, 0.4F) * shade(hit.position), 0.06F);
  };
}

Shader wing_cases(const Light& light, std::uint64_t seed, const Vec3f& half) {
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
    return lit(light, hit, albedo, 0.05F * (1.0F - groove));
  };
}

Shader shell(const Light& light, std::uint64_t seed, float size, float gloss) {
  return [=](const Hit& hit, float raster_u) {
    Vec3f albedo = scales(hit.local, raster_u, seed, size);
    const Cell pit = cell_at(hit.local * (1.0F / 9.0F), seed + 9);
    albedo *= 1.0F - 0.7F * (1.0F - smooth_step(0.15F, 0.32F, pit.centre));
    return lit(light, hit, albedo, gloss);
  };
}

Shader facets(const Light& light, std::uint64_t seed) {
  return [=](const Hit& hit, float raster_u) {
    const Cell facet = cell_at(hit.local * (1.0F / 3.0F), seed);
    const float rim = smooth_step(0.0F, 0.25F, facet.edge);
    const float grain = natural_noise(hit.local, 5.0F, 1.2F * raster_u, seed + 1);
    const Vec3f albedo =
        Vec3f(0.055F, 0.035F, 0.03F) * (0.35F + 0.65F * rim) * contrast(grain, 0.25F);
    return lit(light, hit, albedo, 0.35F * rim);
  };
}

Shader limb(const Light& light, std::uint64_t seed, const Vec3f& colour) {
  return [=](const Hit& hit, float raster_u) {
    const Vec3f skin(hit.local[0] * 0.7F, hit.local[1], hit.local[2]);
    const Cell cell = cell_at(skin * (1.0F / 4.6F), seed);
    const float rim = smooth_step(0.0F, 0.25F, cell.edge);
    const float grain = natural_noise(skin, 10.0F, 1.2F * raster_u, seed + 1);
    const Vec3f albedo =
        colour * ((0.45F + 0.55F * rim) * (0.5F + cell_value(cell, 2)) * contrast(grain, 0.42F));
    return lit(light, hit, albedo, 0.05F);
  };
}

Shader hair(const Light& light, const Vec3f& colour) {
  return [=](const Hit& hit, float) { return lit(light, hit, colour, 0.10F); };
}

/// A small drop: dark rim, a picture of the surroundings upside down, the flash as a bright spot.
Shader dew(const Light& light, std::uint64_t seed, float glint) {
  return [=](const Hit& hit, float raster_u) {
    const float up = hit.normal[1];
    const float rim = smooth_step(0.35F, 0.80F, hit.normal[2]);
    Vec3f inside = mix({0.46F, 0.44F, 0.38F}, {0.10F, 0.12F, 0.07F}, smooth_step(-0.6F, 0.6F, -up));
    inside *= 1.0F + 0.3F * noise(hit.normal * 4.0F, seed);
    Vec3f rgb = inside * (0.10F + 0.90F * rim);
    return mix(rgb, Vec3f::all(glint), highlight_over_pixel(light, hit, raster_u));
  };
}

Shader polished(const Light& light, std::uint64_t seed, const Vec3f& colour) {
  return [=](const Hit& hit, float raster_u) {
    const float cloud = natural_noise(hit.local, 90.0F, 30.0F, seed);
    const float dust = natural_noise(hit.local, 6.0F, 1.2F * raster_u, seed + 1);
    return lit(light, hit, colour * contrast(0.35F * cloud + 0.06F * dust, 1.0F), 0.55F);
  };
}

Shader striped(const Light& light, std::uint64_t seed, const Vec3f& one, const Vec3f& other,
               float width) {
  return [=](const Hit& hit, float raster_u) {
    const float wave = std::sin(kPi * hit.local[0] / width + 0.5F * noise(hit.local * 0.05F, seed));
    const Vec3f skin(hit.local[0] * 0.5F, hit.local[1], hit.local[2]);
    const float fuzz = natural_noise(skin, 14.0F, 1.1F * raster_u, seed + 1);
    const Cell root = cell_at(hit.local * (1.0F / 4.2F), seed + 2);
    const float pore = smooth_step(0.05F, 0.3F, root.centre);
    return lit(light, hit,
               mix(one, other, smooth_step(-0.25F, 0.25F, wave)) *
                   (contrast(fuzz, 0.5F) * (0.5F + 0.5F * pore)),
               0.04F);
  };
}

Shader leaf_skin(const Light& light, std::uint64_t seed) {
  return [=](const Hit& hit, float raster_u) {
    const float vein =
        std::abs(std::remainder(hit.local[1] + 0.35F * std::abs(hit.local[0]), 34.0F));
    const float ridge = 1.0F - 0.45F * (1.0F - smooth_step(0.5F, 3.0F, vein));
    const Cell cell = cell_at(hit.local * (1.0F / 7.0F), seed);
    const float rim = smooth_step(0.0F, 0.3F, cell.edge);
    const float grain = natural_noise(hit.local, 20.0F, 1.2F * raster_u, seed + 1);
    return lit(
        light, hit,
        Vec3f(0.11F, 0.21F, 0.06F) * (ridge * (0.65F + 0.35F * rim) * contrast(grain, 0.35F)),
        0.08F);
  };
}

}  // namespace ringsweep::maker
