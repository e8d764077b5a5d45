// Both scores of a report, ours and that of score.py in the shared folder, are the same.
#include <fmt/core.h>
#include <gtest/gtest.h>

#include <array>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <random>

#include "score.h"
#include "shared_folder.h"

namespace ringsweep::accuracy {
namespace {

namespace fs = std::filesystem;
using nlohmann::json;

/// A truth and reports of every quality: positions off, gaps and ends told and not, boxes and drops
/// near the true ones and elsewhere.
class Maker {
 public:
  explicit Maker(unsigned seed) : random_(seed) {}

  json truth() {
    json frames = json::array();
    double q = 12.0;
    for (int k = 0; k < kFrames; ++k, q -= between(0.5, 3.0)) {
      json flags = json::array();
      if (chance(0.1)) flags.push_back(chance(0.5) ? "dark" : "dim");
      frames.push_back({{"file", file(k)},
                        {"focus_px", q},
                        {"on_subject", k > 1 && k < kFrames - 2},
                        {"flags", flags},
                        {"from_scene", {1.0 + 0.01 * k, 0.002 * k, 320.0 + 0.1 * k, 240.0}}});
    }
    json t = {{"verdict", verdict()},
              {"first_end", chance(0.5) ? "near" : "far"},
              {"turn_factor", between(0.3, 2.0)},
              {"frames", frames}};
    t["gaps"] = json::array();
    for (int g = 0; g < 3; ++g) {
      const int k = 3 + 4 * g;
      t["gaps"].push_back({{"after", file(k)}, {"before", file(k + 1 + g)}, {"width_px", 5.0 + g}});
    }
    t["ends"] = {end("near"), end("far")};
    t["moved"] = json::array();
    t["drops"]["lost"] = json::array();
    for (int m = 0; m < 3; ++m) {
      t["moved"].push_back({{"file", file(whole(1, kFrames - 1))},
                            {"scene_box", {between(-200, 200), between(-150, 150), 60.0, 40.0}},
                            {"shift_px", 3.0}});
      const int gone = whole(1, kFrames - 1);
      t["drops"]["lost"].push_back({{"scene_x", between(-200, 200)},
                                    {"scene_y", between(-150, 150)},
                                    {"radius_px", between(2, 14)},
                                    {"last_seen", file(gone - 1)},
                                    {"first_missing", file(gone)},
                                    {"optional", chance(0.3)}});
    }
    return t;
  }

  json report(const json& truth) {
    json said = {
        {"verdict", verdict()}, {"reference", file(whole(0, kFrames - 1))}, {"scale_sd", 0.03}};
    const double factor = between(0.9, 1.1) * (chance(0.5) ? 1.0 : -1.0);
    for (const json& frame : truth["frames"]) {
      const double q = factor * frame["focus_px"].get<double>() + between(-0.3, 0.3) + 40.0;
      json flags = frame["flags"];
      if (chance(0.1)) flags = json::array({"dim"});
      said["frames"].push_back({{"file", frame["file"]},
                                {"focus_px", chance(0.1) ? json(nullptr) : json(q)},
                                {"focus_sd_px", 0.15},
                                {"flags", flags}});
    }
    said["gaps"] = json::array();
    for (int g = 0; g < 4; ++g) {
      const int k = whole(2, kFrames - 4);
      said["gaps"].push_back(
          {{"after", file(k)}, {"before", file(k + whole(1, 3))}, {"width_px", between(4, 8)}});
    }
    said["gaps"].push_back({{"after", file(3)}, {"before", file(4)}, {"width_px", 5.4}});
    said["ends"] = {end("first"), end("last")};
    said["advice"] = {{"turn_factor", between(0.3, 2.0)}};
    if (chance(0.2)) return {{"bursts", {said}}};  // neither movement nor drops looked for
    const json& m = truth["frames"][0]["from_scene"];
    said["moved"] = json::array();
    said["drops"]["lost"] = json::array();
    for (int i = 0; i < 3; ++i) {
      const auto n = static_cast<std::size_t>(i);
      const json& box = truth["moved"][n]["scene_box"];
      said["moved"].push_back({{"file", truth["moved"][n]["file"]},
                               {"box",
                                {box[0].get<double>() + m[2].get<double>() + between(-40, 40),
                                 box[1].get<double>() + m[3].get<double>() + between(-25, 25),
                                 between(20, 90), between(20, 70)}},
                               {"shift_px", 2.0}});
      const json& drop = truth["drops"]["lost"][n];
      said["drops"]["lost"].push_back(
          {{"x", drop["scene_x"].get<double>() + m[2].get<double>() + between(-12, 12)},
           {"y", drop["scene_y"].get<double>() + m[3].get<double>() + between(-12, 12)},
           {"radius_px", 6.0},
           {"last_seen", chance(0.7) ? drop["last_seen"] : json(file(0))},
           {"first_missing", drop["first_missing"]}});
    }
    json other = said;
    for (const char* key : {"frames", "gaps", "ends"}) other[key] = json::array();
    return chance(0.3) ? json{{"bursts", {said, other}}} : json{{"bursts", {said}}};
  }

 private:
  static constexpr int kFrames = 20;

  double between(double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random_);
  }
  int whole(int low, int high) { return std::uniform_int_distribution<int>(low, high)(random_); }
  bool chance(double share) { return between(0.0, 1.0) < share; }
  std::string verdict() { return chance(0.5) ? "complete" : "reshoot"; }
  static std::string file(int k) { return fmt::format("F{}.JPG", 100 + k); }
  json end(const char* name) {
    return {{"end", name}, {"state", chance(0.5) ? "open" : "covered"}};
  }

  std::mt19937 random_;
};

constexpr const char* kProgram =
    "import sys, json; sys.path.insert(0, sys.argv[1]); import score; "
    "pairs = json.load(open(sys.argv[2])); "
    "print(json.dumps([score.score(score.merged(r), t) for r, t in pairs]))";

json scores_of_python(const fs::path& folder, const fs::path& pairs) {
  const std::string command =
      fmt::format("python3 -B -c '{}' '{}' '{}'", kProgram, folder.string(), pairs.string());
  std::string text;
  FILE* pipe = popen(command.c_str(), "r");
  if (pipe == nullptr) return nullptr;
  std::array<char, 4096> part{};
  while (const std::size_t n = std::fread(part.data(), 1, part.size(), pipe)) {
    text.append(part.data(), n);
  }
  return pclose(pipe) == 0 ? json::parse(text) : json(nullptr);
}

json counts(const Count& c) { return {c.found, c.due, c.wrong}; }

/// Our score in the words of score.py.
json in_its_words(const BurstScore& s) {
  json row = {{"verdict_said", s.verdict_said},   {"verdict_true", s.verdict_true},
              {"verdict_right", s.verdict_right}, {"split_into", s.split_into},
              {"used", counts(s.used)},           {"gaps", counts(s.gaps)},
              {"ends", counts(*s.ends)},          {"dark", counts(*s.lit)}};
  if (s.rms_px) row["rms_px"] = *s.rms_px;
  if (s.shape_px) row["rms_rescaled_px"] = *s.shape_px;
  if (s.scale) row["scale"] = *s.scale;
  if (s.sign_right) row["sign_right"] = *s.sign_right;
  if (s.cover) row["cover"] = *s.cover;
  if (s.scale_holds) row["scale_cover"] = *s.scale_holds;
  if (!s.gap_width_errors.empty()) {
    row["gap_width_error"] =
        *std::ranges::max_element(s.gap_width_errors, {}, [](double e) { return std::abs(e); });
  }
  if (s.moved) row["moved"] = counts(*s.moved);
  if (s.drops) row["drops"] = counts(*s.drops);
  if (s.when) row["when"] = counts(*s.when);
  if (s.turn) row["turn"] = *s.turn;
  return row;
}

TEST(BothScores, AgreeOnReportsOfEveryQuality) {
  const fs::path shared = shared_folder();
  if (!fs::exists(shared / "score.py")) GTEST_SKIP() << "no score.py in " << shared;
  if (std::system("python3 --version > /dev/null 2>&1") != 0) GTEST_SKIP() << "no python3";

  constexpr unsigned kPairs = 200;
  json pairs = json::array();
  for (unsigned seed = 1; seed <= kPairs; ++seed) {
    Maker maker(seed);
    const json truth = maker.truth();
    pairs.push_back({maker.report(truth), truth});
  }
  const fs::path file =
      fs::path(testing::TempDir()) / fmt::format("both_scores_{}", std::random_device{}());
  std::ofstream(file) << pairs.dump();
  const json theirs = scores_of_python(shared, file);
  fs::remove(file);
  ASSERT_EQ(theirs.size(), kPairs);

  std::size_t moves_found = 0, drops_found = 0, gaps_found = 0;
  for (std::size_t i = 0; i < kPairs; ++i) {
    const BurstScore s = score_burst(merged(pairs[i][0]), pairs[i][1]);
    const json ours = in_its_words(s);
    ASSERT_EQ(ours.size(), theirs[i].size()) << ours << "\n" << theirs[i];
    for (const auto& [key, value] : ours.items()) {
      if (value.is_number_float()) {
        // The same sums in another order, of 20 terms below 100: some 1e-14.
        EXPECT_NEAR(value.get<double>(), theirs[i].at(key).get<double>(), 1e-11) << i << " " << key;
      } else {
        EXPECT_EQ(value, theirs[i].at(key)) << i << " " << key;
      }
    }
    gaps_found += s.gaps.found;
    moves_found += s.moved ? s.moved->found : 0;
    drops_found += s.drops ? s.drops->found : 0;
  }
  // All kinds occur often enough that agreement means something.
  EXPECT_GT(gaps_found, kPairs / 10);
  EXPECT_GT(moves_found, kPairs / 10);
  EXPECT_GT(drops_found, kPairs / 10);
}

}  // namespace
}  // namespace ringsweep::accuracy
