#pragma once
/// What surfaces look like: light that leaves them towards the camera, with detail down to what a
/// raster pixel can hold. Lengths in u (scene.h).

#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>

#include "maker/recipe.h"
#include "maker/scene.h"

namespace ringsweep::maker {

/// A diffused flash, a reflector opposite, the sky.
struct Light {
  cv::Vec3f key, fill;  ///< unit vectors towards them
  cv::Vec3f half;       ///< between the key and the camera
  cv::Vec3f across;     ///< square to `half`, along the diffuser's upper edge
  Lights shape = Lights::square;
};

/// The flash upper left, turned around the line of sight.
[[nodiscard]] Light light_from(float turn_deg, Lights shape);

/// Share of the light that reaches a place.
using Shade = std::function<float(const cv::Vec3f&)>;

[[nodiscard]] Shader husk(const Light& light, std::uint64_t seed, const cv::Vec3f& tint,
                          float half_length, const Shade& shade);
[[nodiscard]] Shader straw(const Light& light, std::uint64_t seed, const cv::Vec3f& colour,
                           const Shade& shade);
/// Grooved, pitted, scaly.
[[nodiscard]] Shader wing_cases(const Light& light, std::uint64_t seed, const cv::Vec3f& half);
[[nodiscard]] Shader shell(const Light& light, std::uint64_t seed, float size, float gloss);
/// An insect's eye.
[[nodiscard]] Shader facets(const Light& light, std::uint64_t seed);
[[nodiscard]] Shader limb(const Light& light, std::uint64_t seed, const cv::Vec3f& colour);
[[nodiscard]] Shader hair(const Light& light, const cv::Vec3f& colour);
/// Smooth and shiny: little texture, a broad highlight.
[[nodiscard]] Shader polished(const Light& light, std::uint64_t seed, const cv::Vec3f& colour);
/// Bands of two colours, short fur.
[[nodiscard]] Shader striped(const Light& light, std::uint64_t seed, const cv::Vec3f& one,
                             const cv::Vec3f& other, float width);
[[nodiscard]] Shader leaf_skin(const Light& light, std::uint64_t seed);
/// A small drop: dark rim, a picture of the surroundings upside down, the lights as bright spots.
/// @param glint  their radiance; 1 is white
[[nodiscard]] Shader dew(const Light& light, std::uint64_t seed, float glint);

}  // namespace ringsweep::maker
