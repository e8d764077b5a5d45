#pragma once
/// The suite: many recipes drawn from seeds, on which the analysis is measured.

#include <cstdint>
#include <string>
#include <vector>

#include "maker/recipe.h"

namespace ringsweep::maker {

/// What a burst of the suite is there to show; its truth is computed, not assumed.
enum class SuiteGroup {
  plain,    ///< an uneven hand, nothing else: complete, or late or early or over too soon
  gap,      ///< a widest step of 0.5 to 2 times the allowed step
  flash,    ///< misses, every second or third frame, five then none, sagging, part-lit, dawn
  hand,     ///< pauses, turning back with play, sticking, the ring's end, a slow buffer
  sweeps,   ///< several, both ways, things changed between them
  camera,   ///< shake, haze, sideways sway, a frame missing, a file cut short
  optics,   ///< inner focusing, a lens that moves, other pupils, fall-off, ring-edged discs,
            ///< diffraction
  develop,  ///< mosaic, sharpening, tone curve, strong compression, noise
  moves,    ///< parts that move by 0.5 to 8 px
  drops,    ///< drops of 2 to 15 px that go, roll, merge, appear
  ends      ///< a sweep that begins or ends within the animal
};

[[nodiscard]] const char* name_of(SuiteGroup group);

struct SuiteCase {
  std::string name;  ///< group and number: "gap-017"
  SuiteGroup group = SuiteGroup::plain;
  bool held_back = false;  ///< never looked at while developing
  Recipe recipe;
};

enum class SuiteSize {
  few,    ///< for the tests: one of each group or two, small pictures
  quick,  ///< about 60
  full,   ///< about 500
  wide    ///< nine times as many: for one group at a time, where rare things are to be counted
};

/// Every second case is held back. The same cases on every machine.
[[nodiscard]] std::vector<SuiteCase> suite(SuiteSize size);

}  // namespace ringsweep::maker
