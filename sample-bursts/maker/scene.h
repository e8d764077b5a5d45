#pragma once
/// A scene as one immovable lens sees it: what lies behind every pixel, with colour and focal
/// position.
///
/// Space is (X, Y, Q): picture coordinates of the pinhole picture and focal position. A focal
/// position is linear in 1 / object distance, so this space is a projective image of the real one:
/// straight lines stay straight, planes plane, and a moved sensor changes nothing but blur and
/// scale. Solids are built in units of 1/1000 of the picture's width (u), origin in the picture's
/// centre, x right, y down, z towards the camera, and sampled on a raster finer than the frames.

#include <array>
#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>
#include <variant>
#include <vector>

namespace ringsweep::maker {

/// The picture's width in scene units.
inline constexpr float kSceneWidth = 1000.0F;

/// What a viewpoint that has come nearer makes of the scene's space, in u: (x, y, z) -> s (x, y,
/// z + a (1 + h z) / h), s = 1 / (1 - a (1 + h z)).
struct Approach {
  double share = 0.0;  ///< a: of the distance to depth 0 that has been covered
  double per_u = 0.0;  ///< h: relative change of 1 / distance per u of depth

  [[nodiscard]] bool operator==(const Approach&) const = default;
  [[nodiscard]] double scale(double z_u) const { return 1.0 / (1.0 - share * (1.0 + per_u * z_u)); }
  [[nodiscard]] cv::Vec3f operator()(const cv::Vec3f& point) const;
  /// Its Jacobian: columns are the derivatives by x, y and z.
  [[nodiscard]] cv::Matx33f near(const cv::Vec3f& point) const;
};

struct Ellipsoid {
  cv::Vec3f centre;
  cv::Matx33f axes;  ///< columns are vectors along the three half axes, as built of unit length
  cv::Vec3f half;    ///< half axes, u
};

/// A round tube through points, of varying radius: legs, antennae, hairs, stems.
struct Tube {
  std::vector<cv::Vec3f> points;
  std::vector<float> radii;   ///< one per point, u
  std::vector<float> ways{};  ///< length up to each point as it was built; empty: as it is now
};

/// Where a line of sight meets a solid.
struct Hit {
  cv::Vec3f position;
  cv::Vec3f normal;  ///< unit length, z >= 0
  cv::Vec3f local;   ///< ellipsoid: coordinates along its axes; tube: length, way around, radius; u
  float coverage = 0;      ///< share of the raster pixel that is covered, 0..1
  std::uint32_t part = 0;  ///< which solid of the object
};

/// Linear RGB light that leaves a surface towards the camera.
/// @param raster_u  side of a raster pixel in u: finer detail than this cannot be seen
using Shader = std::function<cv::Vec3f(const Hit&, float raster_u)>;

/// Solids that form one continuous surface.
struct Object {
  std::vector<std::variant<Ellipsoid, Tube>> solids;
  Shader shader;
  bool subject = true;     ///< part of what has to be sharp
  std::uint8_t part = 0;   ///< of a cast (cast.h)
  std::uint16_t drop = 0;  ///< from 1; 0: none
};

/// One surface behind one raster pixel.
struct Fragment {
  std::uint16_t x = 0;
  std::uint16_t y = 0;
  float q_px = 0.0F;  ///< focal position, px of blur of the frame at the reference scale
  cv::Vec3f rgb;      ///< linear, not multiplied by alpha
  float alpha = 0.0F;
  bool subject = false;
  std::uint8_t part = 0;
  std::uint16_t drop = 0;
};

/// Something so blurred at all times that a coarse raster holds it: background, a blade in front.
struct Veil {
  cv::Mat rgba;       ///< CV_32FC4, linear RGB multiplied by alpha; empty: nothing there
  int reduction = 1;  ///< raster pixels per pixel of this one
  float q_px = 0.0F;
};

/// Two surfaces that are less than this apart, px of blur, are one to the blur: what is hidden of
/// the one behind stays hidden. Beside an edge that errs by half as much at most.
inline constexpr float kCloseBehindPx = 1.5F;

/// Share of the subject left out at each end of its depth.
inline constexpr double kSubjectEnds = 0.005;

struct Scene {
  static constexpr int kTile = 64;  ///< fragments are kept in square tiles of the raster

  int width = 0;   ///< raster
  int height = 0;  ///< raster
  double raster_per_px = 1.0;
  int tiles_across = 0;
  std::vector<std::vector<Fragment>> tiles;  ///< each from far to near
  Veil background;
  Veil front;
  /// Of every raster pixel that shows the subject, rising; and of the perch within its depth.
  std::vector<float> subject_q_px;
  cv::Mat interior;  ///< CV_32FC1, raster px to the nearest edge of what is in front
};

/// How scene units become raster pixels and focal positions.
struct SceneFrame {
  int width_px = 1280;  ///< of the pictures
  int height_px = 960;
  double raster_per_px = 2.0;
  double margin = 0.05;      ///< the raster is larger than the picture by this share on each side
  double q_per_px = 0.06;    ///< px of blur per px of depth
  double q_offset_px = 0.0;  ///< focal position at z = 0

  [[nodiscard]] double raster_per_u() const {
    return raster_per_px * width_px / static_cast<double>(kSceneWidth);
  }
  [[nodiscard]] double q_per_u() const {
    return q_per_px * width_px / static_cast<double>(kSceneWidth);
  }
  /// Focal position of a depth z, u.
  [[nodiscard]] double q_px(double z_u) const { return q_offset_px + z_u * q_per_u(); }
};

/// An empty raster of the right size, background and front still missing.
[[nodiscard]] Scene empty_scene(const SceneFrame& frame);

/// Samples objects into the raster. The order of objects does not matter to what is seen.
void add_objects(const std::vector<Object>& objects, const SceneFrame& frame, Scene& scene);

/// What one raster pixel of the picture shows in front.
struct Seen {
  std::uint16_t x = 0;
  std::uint16_t y = 0;
  float q_px = 0.0F;
  bool subject = false;
  std::uint8_t part = 0;
  std::uint16_t drop = 0;
};

/// Of every raster pixel inside the picture that shows an object; call after finish().
[[nodiscard]] std::vector<Seen> seen_in(const SceneFrame& frame, const Scene& scene);

/// Sorts fragments, takes away those closely behind others and collects the subject's focal
/// positions. Call once, after the last object.
void finish(const SceneFrame& frame, Scene& scene);

}  // namespace ringsweep::maker
