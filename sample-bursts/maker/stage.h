#pragma once
/// A recipe's scene, pose by pose, and what the truth has to know of it.

#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "maker/cast.h"
#include "maker/recipe.h"
#include "maker/scene.h"

namespace ringsweep::maker {

/// The recipe's light, its flash turned around the line of sight.
[[nodiscard]] Light light_of(const Recipe& recipe, double turn_deg = 0.0);

/// Who is on stage, lit by that.
[[nodiscard]] Cast cast_of(const Recipe& recipe, const Light& light);

/// Px of blur per px of depth, at v_ref.
[[nodiscard]] double q_per_px(const Recipe& recipe);

/// A part that moves, by what is seen of it before.
struct SeenMove {
  std::string part;
  int frame = 1;  ///< first frame in which it is elsewhere
  Move::Kind kind = Move::Kind::stays;
  double shift_px = 0.0;          ///< 90th percentile, at v_ref, of the whole move
  double seen_px = 0.0;           ///< area of what is seen of it
  cv::Rect2d box_px;              ///< afterwards, scene px (from_scene of truth.json)
  std::vector<double> before_px;  ///< focal positions at v_ref of what is seen, rising
  std::vector<double> after_px;   ///< the same pixels afterwards, rising
  std::vector<double> shares{};   ///< of the move, that has been made in each frame
};

struct SeenDrop {
  double x_px = 0.0;  ///< scene px, first frame
  double y_px = 0.0;
  double radius_px = 0.0;  ///< at v_ref
  double q_px = 0.0;       ///< of its surface's front, at v_ref
  double visible = 0.0;    ///< share of its outline
};

/// What is seen in the pose of the first frame.
struct Sight {
  std::vector<float> subject_q_px;  ///< focal positions at v_ref, rising
  std::vector<SeenMove> moves;      ///< in the order of the recipe; unseen parts are left out
  std::vector<SeenDrop> drops;      ///< all of the cast, in order
};

class Stage {
 public:
  /// @throws std::invalid_argument  a part or drop that is not on stage
  explicit Stage(const Recipe& recipe);

  /// The scene as frame k (from 0) meets it; sampled again when the pose has changed.
  [[nodiscard]] const Scene& scene(std::size_t k);
  [[nodiscard]] const Sight& sight() const { return sight_; }
  [[nodiscard]] const Cast& cast() const { return cast_; }
  [[nodiscard]] Pose pose(std::size_t k) const;

 private:
  [[nodiscard]] Scene sampled(const Pose& pose) const;
  [[nodiscard]] cv::Vec3f point_of(const Seen& seen, const Scene& scene) const;
  /// How much of the recipe's move i has been made in frame k (both from 0).
  [[nodiscard]] double share(std::size_t i, std::size_t k) const;
  void set_motions(const Scene& scene, const std::vector<Seen>& seen);
  void see(const Scene& scene, const std::vector<Seen>& seen);

  Recipe recipe_;
  std::vector<FramePlan> plans_;
  SceneFrame frame_;
  Cast cast_;
  std::vector<Motion> motions_;  ///< of the recipe's moves, in full
  std::vector<float> angles_;    ///< of their turns, radians
  std::vector<cv::Vec3f> axes_;
  Sight sight_;
  std::optional<Pose> held_pose_;
  Scene held_;
};

}  // namespace ringsweep::maker
