#include "maker/paint.h"

#include <cmath>

#include "maker/random.h"

namespace ringsweep::maker {
namespace {

std::uint64_t lattice_hash(std::int64_t x, std::int64_t y, std::int64_t z, std::uint64_t seed) {
  const auto u = [](std::int64_t i) { return static_cast<std::uint64_t>(i); };
  return hash(u(x) * 0x8DA6B343ULL ^ u(y) * 0xD8163841ULL << 11U ^ u(z) * 0xCB1AB31FULL << 23U,
              seed);
}

float fade(float t) { return t * t * t * (t * (t * 6.0F - 15.0F) + 10.0F); }

float lerp(float a, float b, float t) { return a + (b - a) * t; }

}  // namespace

float noise(const cv::Vec3f& point, std::uint64_t seed) {
  const float fx = std::floor(point[0]), fy = std::floor(point[1]), fz = std::floor(point[2]);
  const auto ix = static_cast<std::int64_t>(fx), iy = static_cast<std::int64_t>(fy),
             iz = static_cast<std::int64_t>(fz);
  const float x = point[0] - fx, y = point[1] - fy, z = point[2] - fz;
  // Gradient noise: a random slope at each lattice point, three bytes of its hash.
  const auto corner = [&](int dx, int dy, int dz) {
    const std::uint64_t h = lattice_hash(ix + dx, iy + dy, iz + dz, seed);
    const auto slope = [h](unsigned shift) {
      return static_cast<float>((h >> shift) & 0xFFFFU) * (2.0F / 65535.0F) - 1.0F;
    };
    return slope(0) * (x - static_cast<float>(dx)) + slope(16) * (y - static_cast<float>(dy)) +
           slope(32) * (z - static_cast<float>(dz));
  };
  const float u = fade(x), v = fade(y), w = fade(z);
  const float near =
      lerp(lerp(corner(0, 0, 0), corner(1, 0, 0), u), lerp(corner(0, 1, 0), corner(1, 1, 0), u), v);
  const float far =
      lerp(lerp(corner(0, 0, 1), corner(1, 0, 1), u), lerp(corner(0, 1, 1), corner(1, 1, 1), u), v);
  return 1.4F * lerp(near, far, w);
}

float natural_noise(const cv::Vec3f& point, float longest, float shortest, std::uint64_t seed) {
  float sum = 0.0F;
  float octaves = 0.0F;
  for (float wavelength = longest; wavelength >= shortest; wavelength *= 0.5F) {
    sum += noise(point * (1.0F / wavelength), hash(seed, static_cast<std::uint64_t>(octaves)));
    octaves += 1.0F;
  }
  return octaves > 0.0F ? sum / std::sqrt(octaves) : 0.0F;
}

Cell cell_at(const cv::Vec3f& point, std::uint64_t seed) {
  const auto base = [](float v) { return static_cast<std::int64_t>(std::floor(v)); };
  const std::int64_t bx = base(point[0]), by = base(point[1]), bz = base(point[2]);
  float nearest = 1e9F;
  float second = 1e9F;
  Cell cell;
  for (std::int64_t dz = -1; dz <= 1; ++dz) {
    for (std::int64_t dy = -1; dy <= 1; ++dy) {
      for (std::int64_t dx = -1; dx <= 1; ++dx) {
        const std::uint64_t h = lattice_hash(bx + dx, by + dy, bz + dz, seed);
        const auto inside = [h](unsigned shift) {
          return static_cast<float>((h >> shift) & 0xFFFFU) * (1.0F / 65536.0F);
        };
        const float x = static_cast<float>(bx + dx) + inside(0) - point[0];
        const float y = static_cast<float>(by + dy) + inside(16) - point[1];
        const float z = static_cast<float>(bz + dz) + inside(32) - point[2];
        const float distance2 = x * x + y * y + z * z;
        if (distance2 < nearest) {
          second = nearest;
          nearest = distance2;
          cell.id = h;
        } else if (distance2 < second) {
          second = distance2;
        }
      }
    }
  }
  cell.centre = std::sqrt(nearest);
  cell.edge = std::sqrt(second) - cell.centre;
  return cell;
}

float cell_value(const Cell& cell, std::uint64_t k) {
  return static_cast<float>(hash(cell.id, k + 17) >> 40U) * 0x1p-24F;
}

}  // namespace ringsweep::maker
