// Animal and perch told apart beside a strip. No outside source: the rules are ours and stand in
// perch_strip.h. Room in comparisons: of what lies within a tile of a border the neighbour may win.
#include "burst/perch_strip.h"

#include <gtest/gtest.h>

#include <cmath>
#include <cstddef>
#include <functional>
#include <optional>
#include <vector>

namespace ringsweep {
namespace {

constexpr int kRows = 60, kCols = 80;

enum class Is { perch, animal };

struct There {
  Is is = Is::perch;
  double q_px = 0.0;
  bool known = false;  ///< taken for perch so far
};

using Scene = std::function<std::optional<There>(int row, int col)>;

/// Of the tiles of each kind, the share that is told to be perch; nothing where no strip is found.
struct Told {
  double of_perch = 0.0;
  double of_animal = 0.0;
};

std::optional<Told> told(const Scene& scene) {
  Profiles profiles;
  profiles.grid = {.size = {8 * kCols, 8 * kRows}, .tile_px = 8};
  FocalPositions focus;
  std::vector<Is> is;
  std::vector<bool> known;
  for (int row = 0; row < kRows; ++row)
    for (int col = 0; col < kCols; ++col) {
      const auto there = scene(row, col);
      if (!there) continue;
      TileProfile tile;
      tile.row = row;
      tile.col = col;
      profiles.tiles.push_back(tile);
      focus.tiles.push_back({.q_px = there->q_px, .weight = 1.0});
      is.push_back(there->is);
      known.push_back(there->known);
    }
  const SubjectOptions options;
  const DepthTiles field(profiles, focus, {}, options);
  const auto perch = perch_of_strip(field, known, std::vector<bool>(is.size(), true), 1);
  if (!perch) return std::nullopt;
  Told result;
  std::size_t animals = 0;
  for (std::size_t t = 0; t < is.size(); ++t) {
    const double one = (*perch)[t] ? 1.0 : 0.0;
    animals += is[t] == Is::animal ? 1U : 0U;
    (is[t] == Is::animal ? result.of_animal : result.of_perch) += one;
  }
  result.of_animal /= static_cast<double>(animals);
  result.of_perch /= static_cast<double>(is.size() - animals);
  return result;
}

/// A stem from the left border to the right one, 6 tiles thick, bent by 6 tiles, from `left` px to
/// 0.5 px a tile more.
double stem_row(int col) { return 42.0 + 6.0 * std::pow((col - 40.0) / 40.0, 2); }
double stem_px(int col) { return 0.5 * col; }
bool on_stem(int row, int col) { return std::abs(row - stem_row(col)) <= 3.0; }

/// A body above it, in the middle, and a leg from it to the stem.
bool in_body(int row, int col) { return std::hypot(row - 24.0, (col - 40.0) / 1.5) <= 10.0; }
bool on_leg(int row, int col) { return row >= 24 && row < 39 && std::abs(col - 48) <= 1; }

std::optional<There> animal(int row, int col, double q_px, bool known) {
  if (!in_body(row, col) && !on_leg(row, col)) return std::nullopt;
  return There{Is::animal, q_px, known};
}

std::optional<There> stem(int row, int col) {
  if (!on_stem(row, col)) return std::nullopt;
  return There{Is::perch, stem_px(col), true};
}

TEST(PerchStrip, AnimalAsDeepAsItsPerchIsTakenForItNoMore) {
  const auto t = told([](int row, int col) {
    const auto a = animal(row, col, stem_px(col), true);
    return a ? a : stem(row, col);
  });
  ASSERT_TRUE(t);
  EXPECT_EQ(t->of_perch, 1.0);
  // The leg's foot, 4 rows of 3 tiles of some 500, is as near to the stem as what belongs to it.
  EXPECT_LE(t->of_animal, 12.0 / 500.0);
}

TEST(PerchStrip, WhatSticksOutOnTheOtherSideIsPerch) {
  // A tuft below the stem, so large that it could be an animal's, 5 px deeper: not known for perch.
  const auto tuft = [](int row, int col) {
    return col >= 20 && col < 32 && row > stem_row(col) + 3.0 && row <= stem_row(col) + 13.0;
  };
  const auto t = told([&](int row, int col) -> std::optional<There> {
    if (const auto a = animal(row, col, 30.0, false)) return a;
    if (tuft(row, col)) return There{Is::perch, stem_px(col) - 5.0, false};
    return stem(row, col);
  });
  ASSERT_TRUE(t);
  EXPECT_EQ(t->of_perch, 1.0);
  EXPECT_LE(t->of_animal, 12.0 / 500.0);
}

TEST(PerchStrip, WhatBendsAwayAndLeavesThePictureIsPerch) {
  // A leaf's tip at the left border, on the animal's side, 5 px deeper: not known for perch.
  const auto tip = [](int row, int col) {
    return col < 16 && row < stem_row(col) - 3.0 && row >= stem_row(col) - 10.0;
  };
  const auto t = told([&](int row, int col) -> std::optional<There> {
    if (const auto a = animal(row, col, 30.0, false)) return a;
    if (tip(row, col)) return There{Is::perch, stem_px(col) - 5.0, false};
    return stem(row, col);
  });
  ASSERT_TRUE(t);
  EXPECT_EQ(t->of_perch, 1.0);
  EXPECT_LE(t->of_animal, 12.0 / 500.0);
}

TEST(PerchStrip, OfAnAnimalOnBothSidesNeitherIsPerch) {
  // Seen from above: the body lies in front of the stem, 15 px nearer.
  const auto t = told([](int row, int col) -> std::optional<There> {
    if (std::hypot(row - stem_row(col), (col - 40.0) / 1.5) <= 12.0)
      return There{Is::animal, stem_px(col) + 15.0, false};
    return stem(row, col);
  });
  ASSERT_TRUE(t);
  EXPECT_EQ(t->of_perch, 1.0);
  EXPECT_EQ(t->of_animal, 0.0);
}

TEST(PerchStrip, SmoothStemShowsItsEdgesAlone) {
  const auto edge = [](int row, int col) {
    return on_stem(row, col) && std::abs(row - stem_row(col)) > 2.0;
  };
  const auto inside = [](int row, int col) { return on_stem(row, col) && col % 20 == 7; };
  const auto t = told([&](int row, int col) -> std::optional<There> {
    if (const auto a = animal(row, col, stem_px(col), true)) return a;
    if (edge(row, col)) return There{Is::perch, stem_px(col), true};
    // Here and there its middle shows: as deep, not known.
    if (inside(row, col)) return There{Is::perch, stem_px(col), false};
    return std::nullopt;
  });
  ASSERT_TRUE(t);
  EXPECT_EQ(t->of_perch, 1.0);
  EXPECT_LE(t->of_animal, 12.0 / 500.0);
}

TEST(PerchStrip, LeafAsWideAsItIsLongIsNone) {
  EXPECT_FALSE(told([](int row, int col) -> std::optional<There> {
    if (const auto a = animal(row, col, 30.0, false)) return a;
    if (row >= 30) return There{Is::perch, stem_px(col), true};
    return std::nullopt;
  }));
}

TEST(PerchStrip, StemAloneTellsOfNoAnimal) {
  EXPECT_FALSE(told([](int row, int col) { return stem(row, col); }));
}

TEST(PerchStrip, NothingKnownIsNone) {
  EXPECT_FALSE(told([](int row, int col) { return animal(row, col, 30.0, false); }));
}

}  // namespace
}  // namespace ringsweep
