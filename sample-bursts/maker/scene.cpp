#include "maker/scene.h"

#include <tbb/parallel_for.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <stdexcept>

namespace ringsweep::maker {

cv::Vec3f Approach::operator()(const cv::Vec3f& point) const {
  if (share == 0.0) return point;
  const double s = scale(point[2]);
  return {static_cast<float>(s * point[0]), static_cast<float>(s * point[1]),
          static_cast<float>(s * (point[2] + share * (1.0 + per_u * point[2]) / per_u))};
}

cv::Matx33f Approach::near(const cv::Vec3f& point) const {
  const double s = scale(point[2]), lean = s * s * share * per_u;
  const auto f = [](double x) { return static_cast<float>(x); };
  return {f(s), 0.0F, f(lean * point[0]), 0.0F, f(s), f(lean * point[1]), 0.0F, 0.0F, f(s * s)};
}

namespace {

/// A piece of an object that is sampled by itself: an ellipsoid, or one segment of a tube.
struct Segment {
  cv::Vec3f from, to;
  float radius_from = 0.0F, radius_to = 0.0F;
  float way = 0.0F;    ///< length of the tube up to `from`, as built
  float built = 0.0F;  ///< its own length, as built
};

struct Bounds {
  float left, top, right, bottom;
};

Bounds bounds_of(const Ellipsoid& e) {
  // Half extent along x: norm of the x components of the scaled axes.
  const auto extent = [&](int row) {
    float sum = 0.0F;
    for (int k = 0; k < 3; ++k) sum += std::pow(e.axes(row, k) * e.half[k], 2.0F);
    return std::sqrt(sum);
  };
  const float x = extent(0), y = extent(1);
  return {e.centre[0] - x, e.centre[1] - y, e.centre[0] + x, e.centre[1] + y};
}

Bounds bounds_of(const Segment& s) {
  const float r = std::max(s.radius_from, s.radius_to);
  return {std::min(s.from[0], s.to[0]) - r, std::min(s.from[1], s.to[1]) - r,
          std::max(s.from[0], s.to[0]) + r, std::max(s.from[1], s.to[1]) + r};
}

/// The line of sight through (x, y) against the ellipsoid a^T A a = 1.
class EllipsoidEye {
 public:
  explicit EllipsoidEye(const Ellipsoid& e) : e_(e) {
    to_axes_ = e.axes.inv();
    cv::Matx33f inverse = to_axes_;
    for (int k = 0; k < 3; ++k)
      for (int c = 0; c < 3; ++c) inverse(k, c) /= e.half[k];
    a_ = inverse.t() * inverse;
    for (int r = 0; r < 2; ++r)
      for (int c = 0; c < 2; ++c) s_(r, c) = a_(r, c) - a_(r, 2) * a_(c, 2) / a_(2, 2);
  }

  [[nodiscard]] bool look(float x, float y, float raster_u, Hit& hit) const {
    const float dx = x - e_.centre[0], dy = y - e_.centre[1];
    const float sx = s_(0, 0) * dx + s_(0, 1) * dy, sy = s_(1, 0) * dx + s_(1, 1) * dy;
    const float inside = 1.0F - (sx * dx + sy * dy);  // > 0 inside the outline
    const float slope = 2.0F * std::hypot(sx, sy);
    const float distance = slope > 0.0F ? inside / slope : 1e9F;
    hit.coverage = std::clamp(distance / raster_u + 0.5F, 0.0F, 1.0F);
    if (hit.coverage <= 0.0F) return false;
    const float b = a_(2, 0) * dx + a_(2, 1) * dy;
    const float root = std::sqrt(std::max(0.0F, inside) / a_(2, 2));
    const cv::Vec3f offset(dx, dy, -b / a_(2, 2) + root);
    hit.position = e_.centre + offset;
    const cv::Vec3f gradient = a_ * offset;
    hit.normal = gradient * (1.0F / static_cast<float>(cv::norm(gradient)));
    hit.local = to_axes_ * offset;
    return true;
  }

 private:
  const Ellipsoid& e_;
  cv::Matx33f to_axes_;
  cv::Matx33f a_;
  cv::Matx22f s_;
};

class SegmentEye {
 public:
  explicit SegmentEye(const Segment& s) : s_(s) {
    along_ = cv::Vec2f(s.to[0] - s.from[0], s.to[1] - s.from[1]);
    length2_ = along_.dot(along_);
    const auto length = static_cast<float>(cv::norm(s.to - s.from));
    shrink_ = length > 0.0F ? s.built / length : 1.0F;
  }

  [[nodiscard]] bool look(float x, float y, float raster_u, Hit& hit) const {
    const cv::Vec2f d(x - s_.from[0], y - s_.from[1]);
    const float t = length2_ > 0.0F ? std::clamp(d.dot(along_) / length2_, 0.0F, 1.0F) : 1.0F;
    const cv::Vec2f off = d - along_ * t;
    const float distance = static_cast<float>(cv::norm(off));
    const float radius = s_.radius_from + (s_.radius_to - s_.radius_from) * t;
    // Thinner than a raster pixel: the share of the pixel that the tube covers.
    hit.coverage = std::clamp((radius - distance) / raster_u + 0.5F, 0.0F, 1.0F) *
                   std::min(1.0F, 2.0F * radius / raster_u);
    if (hit.coverage <= 0.0F) return false;
    const float out = std::min(1.0F, distance / radius);
    const float up = std::sqrt(1.0F - out * out);
    const cv::Vec3f axis = s_.from + (s_.to - s_.from) * t;
    hit.position = cv::Vec3f(x, y, axis[2] + radius * up);
    const float scale = distance > 0.0F ? out / distance : 0.0F;
    hit.normal = cv::Vec3f(off[0] * scale, off[1] * scale, up);
    const float side = along_[0] * off[1] - along_[1] * off[0] < 0.0F ? -1.0F : 1.0F;
    const float built_radius = radius * shrink_;
    hit.local =
        cv::Vec3f(s_.way + t * s_.built, side * std::asin(out) * built_radius, built_radius);
    return true;
  }

 private:
  const Segment& s_;
  cv::Vec2f along_;
  float length2_ = 0.0F;
  float shrink_ = 1.0F;  ///< lengths as built per length now
};

/// One object sampled on its own piece of the raster.
struct Sprite {
  cv::Rect box;  ///< in the raster
  std::vector<Hit> hits;

  [[nodiscard]] Hit& at(int x, int y) {
    return hits[static_cast<std::size_t>(y - box.y) * static_cast<std::size_t>(box.width) +
                static_cast<std::size_t>(x - box.x)];
  }
};

cv::Rect pixels(const Bounds& b, const SceneFrame& frame, const Scene& scene) {
  const auto g = static_cast<float>(frame.raster_per_u());
  const auto column = [&](float x, float by) {
    return static_cast<int>(std::floor(x * g + static_cast<float>(scene.width) / 2.0F + by));
  };
  const auto row = [&](float y, float by) {
    return static_cast<int>(std::floor(y * g + static_cast<float>(scene.height) / 2.0F + by));
  };
  const cv::Point low(column(b.left, -1.0F), row(b.top, -1.0F));
  const cv::Point high(column(b.right, 2.0F), row(b.bottom, 2.0F));
  return cv::Rect(low, high) & cv::Rect(0, 0, scene.width, scene.height);
}

template <class Eye>
void sample(const Eye& eye, const cv::Rect& box, const SceneFrame& frame, const Scene& scene,
            std::uint32_t part, Sprite& sprite) {
  const auto raster_u = static_cast<float>(1.0 / frame.raster_per_u());
  for (int y = box.y; y < box.y + box.height; ++y) {
    const float v =
        (static_cast<float>(y) + 0.5F - static_cast<float>(scene.height) / 2.0F) * raster_u;
    for (int x = box.x; x < box.x + box.width; ++x) {
      const float u =
          (static_cast<float>(x) + 0.5F - static_cast<float>(scene.width) / 2.0F) * raster_u;
      Hit hit;
      if (!eye.look(u, v, raster_u, hit)) continue;
      hit.part = part;
      Hit& held = sprite.at(x, y);
      // The nearer of two surfaces that both cover the pixel, else the one that covers more of it.
      const bool both = hit.coverage >= 0.5F && held.coverage >= 0.5F;
      const bool better = both ? hit.position[2] > held.position[2] : hit.coverage > held.coverage;
      if (better) held = hit;
    }
  }
}

std::vector<Segment> segments_of(const Tube& tube) {
  if (tube.points.size() != tube.radii.size() || tube.points.size() < 2) {
    throw std::invalid_argument("add_objects: a tube needs two points or more, each with a radius");
  }
  std::vector<Segment> segments;
  float way = 0.0F;
  for (std::size_t i = 0; i + 1 < tube.points.size(); ++i) {
    if (!tube.ways.empty()) way = tube.ways[i];
    const float length = tube.ways.empty()
                             ? static_cast<float>(cv::norm(tube.points[i + 1] - tube.points[i]))
                             : tube.ways[i + 1] - tube.ways[i];
    segments.push_back(
        {tube.points[i], tube.points[i + 1], tube.radii[i], tube.radii[i + 1], way, length});
    way += length;
  }
  return segments;
}

Sprite sprite_of(const Object& object, const SceneFrame& frame, const Scene& scene) {
  std::vector<std::vector<Segment>> tubes(object.solids.size());
  Sprite sprite;
  for (std::size_t i = 0; i < object.solids.size(); ++i) {
    if (const auto* tube = std::get_if<Tube>(&object.solids[i])) {
      tubes[i] = segments_of(*tube);
      for (const Segment& s : tubes[i]) sprite.box |= pixels(bounds_of(s), frame, scene);
    } else {
      sprite.box |= pixels(bounds_of(std::get<Ellipsoid>(object.solids[i])), frame, scene);
    }
  }
  if (sprite.box.empty()) return sprite;
  sprite.hits.resize(static_cast<std::size_t>(sprite.box.area()));
  for (std::size_t i = 0; i < object.solids.size(); ++i) {
    const auto part = static_cast<std::uint32_t>(i);
    if (const auto* e = std::get_if<Ellipsoid>(&object.solids[i])) {
      sample(EllipsoidEye(*e), pixels(bounds_of(*e), frame, scene), frame, scene, part, sprite);
    }
    for (const Segment& s : tubes[i]) {
      sample(SegmentEye(s), pixels(bounds_of(s), frame, scene), frame, scene, part, sprite);
    }
  }
  return sprite;
}

/// Shades a sprite.
std::vector<Fragment> fragments_of(const Object& object, Sprite sprite, const SceneFrame& frame) {
  std::vector<Fragment> fragments;
  const auto raster_u = static_cast<float>(1.0 / frame.raster_per_u());
  for (int y = sprite.box.y; y < sprite.box.y + sprite.box.height; ++y) {
    for (int x = sprite.box.x; x < sprite.box.x + sprite.box.width; ++x) {
      const Hit& hit = sprite.at(x, y);
      if (hit.coverage <= 0.0F) continue;
      Fragment f;
      f.x = static_cast<std::uint16_t>(x);
      f.y = static_cast<std::uint16_t>(y);
      f.q_px = static_cast<float>(frame.q_px(hit.position[2]));
      f.rgb = object.shader(hit, raster_u);
      f.alpha = hit.coverage;
      f.subject = object.subject;
      f.part = object.part;
      f.drop = object.drop;
      fragments.push_back(f);
    }
  }
  return fragments;
}

}  // namespace

Scene empty_scene(const SceneFrame& frame) {
  if (frame.width_px < 16 || frame.height_px < 16 || !(frame.raster_per_px >= 1.0)) {
    throw std::invalid_argument(
        "empty_scene: a picture of at least 16 x 16 px, raster at least as fine");
  }
  const auto side = [&](int px) {
    return static_cast<int>(std::ceil(px * frame.raster_per_px * (1.0 + 2.0 * frame.margin)));
  };
  Scene scene;
  scene.width = side(frame.width_px);
  scene.height = side(frame.height_px);
  if (scene.width > 65535 || scene.height > 65535) {
    throw std::invalid_argument("empty_scene: more than 65535 raster pixels across");
  }
  scene.raster_per_px = frame.raster_per_px;
  scene.tiles_across = (scene.width + Scene::kTile - 1) / Scene::kTile;
  const int tiles_down = (scene.height + Scene::kTile - 1) / Scene::kTile;
  scene.tiles.resize(static_cast<std::size_t>(scene.tiles_across) *
                     static_cast<std::size_t>(tiles_down));
  return scene;
}

void add_objects(const std::vector<Object>& objects, const SceneFrame& frame, Scene& scene) {
  constexpr std::size_t kBatch =
      64;  // bounds the memory; the order of fragments stays that of objects
  for (std::size_t first = 0; first < objects.size(); first += kBatch) {
    const std::size_t count = std::min(kBatch, objects.size() - first);
    std::vector<std::vector<Fragment>> made(count);
    tbb::parallel_for(std::size_t{0}, count, [&](std::size_t i) {
      const Object& object = objects[first + i];
      made[i] = fragments_of(object, sprite_of(object, frame, scene), frame);
    });
    for (const std::vector<Fragment>& fragments : made) {
      for (const Fragment& f : fragments) {
        const auto tile =
            static_cast<std::size_t>(f.y / Scene::kTile * scene.tiles_across + f.x / Scene::kTile);
        scene.tiles[tile].push_back(f);
      }
    }
  }
}

std::vector<Seen> seen_in(const SceneFrame& frame, const Scene& scene) {
  std::vector<std::vector<Seen>> seen(scene.tiles.size());
  // Only what lies inside the picture counts, not the raster's margin.
  const double half_x = frame.width_px * frame.raster_per_px / 2.0;
  const double half_y = frame.height_px * frame.raster_per_px / 2.0;
  tbb::parallel_for(std::size_t{0}, scene.tiles.size(), [&](std::size_t t) {
    std::vector<const Fragment*> front(static_cast<std::size_t>(Scene::kTile * Scene::kTile));
    for (const Fragment& f : scene.tiles[t]) {
      if (f.alpha < 0.5F) continue;
      if (std::abs(f.x + 0.5 - scene.width / 2.0) > half_x) continue;
      if (std::abs(f.y + 0.5 - scene.height / 2.0) > half_y) continue;
      front[static_cast<std::size_t>(f.y % Scene::kTile * Scene::kTile + f.x % Scene::kTile)] = &f;
    }
    for (const Fragment* f : front) {
      if (f != nullptr) seen[t].push_back({f->x, f->y, f->q_px, f->subject, f->part, f->drop});
    }
  });
  std::vector<Seen> all;
  for (const std::vector<Seen>& tile : seen) all.insert(all.end(), tile.begin(), tile.end());
  return all;
}

namespace {

/// How far every raster pixel is from where the surface in front ends or another one begins.
cv::Mat interior_of(const Scene& scene) {
  constexpr float kNothing = -1e6F, kStepPx = 1.0F;  // no surface is so steep but at its outline
  cv::Mat q(scene.height, scene.width, CV_32FC1, cv::Scalar(kNothing));
  for (const auto& tile : scene.tiles)
    for (const Fragment& f : tile)  // from far to near
      if (f.alpha >= 0.5F) q.at<float>(f.y, f.x) = f.q_px;
  cv::Mat low, high, distance;
  cv::erode(q, low, cv::Mat::ones(3, 3, CV_8UC1));
  cv::dilate(q, high, cv::Mat::ones(3, 3, CV_8UC1));
  const cv::Mat inside = (high - low < 2.0F * kStepPx) & (q > kNothing);
  cv::distanceTransform(inside, distance, cv::DIST_L2, cv::DIST_MASK_5);
  return distance;
}

/// Takes away what lies closely behind something else: from no part of the pupil it can be seen
/// farther from the edge that hides it than half of what the two are apart.
/// @param tile  from far to near
void hide_what_is_close_behind(std::vector<Fragment>& tile) {
  constexpr auto kSide = static_cast<std::size_t>(Scene::kTile);
  std::vector<std::vector<const Fragment*>> in_front(kSide * kSide);  // of every raster pixel
  std::vector<float> seen(tile.size(), 1.0F);
  for (std::size_t i = tile.size(); i-- > 0;) {
    const Fragment& f = tile[i];
    auto& nearer = in_front[f.y % kSide * kSide + f.x % kSide];
    std::erase_if(nearer, [&](const Fragment* n) { return n->q_px - f.q_px > kCloseBehindPx; });
    for (const Fragment* n : nearer) seen[i] *= 1.0F - n->alpha;
    nearer.push_back(&f);
  }
  for (std::size_t i = 0; i < tile.size(); ++i) tile[i].alpha *= seen[i];
  std::erase_if(tile, [](const Fragment& f) { return f.alpha <= 0.0F; });
}

}  // namespace

void finish(const SceneFrame& frame, Scene& scene) {
  tbb::parallel_for(std::size_t{0}, scene.tiles.size(), [&](std::size_t t) {
    std::ranges::stable_sort(scene.tiles[t], {}, &Fragment::q_px);
    hide_what_is_close_behind(scene.tiles[t]);
    scene.tiles[t].shrink_to_fit();
  });
  scene.interior = interior_of(scene);
  std::vector<float>& subject = scene.subject_q_px;
  subject.clear();
  const std::vector<Seen> seen = seen_in(frame, scene);
  for (const Seen& s : seen) {
    if (s.subject) subject.push_back(s.q_px);
  }
  std::ranges::sort(subject);
  if (subject.empty()) return;
  // What the animal stands on, as far as its own depth goes.
  const auto at = [&](double share) {
    return subject[static_cast<std::size_t>(share * static_cast<double>(subject.size() - 1))];
  };
  const float far = at(kSubjectEnds), near = at(1.0 - kSubjectEnds);
  for (const Seen& s : seen) {
    if (!s.subject && s.q_px >= far && s.q_px <= near) subject.push_back(s.q_px);
  }
  std::ranges::sort(subject);
}

}  // namespace ringsweep::maker
