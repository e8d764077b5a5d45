#include "score.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <set>
#include <utility>
#include <vector>

namespace ringsweep::accuracy {
namespace {

using nlohmann::json;
using Interval = std::pair<double, double>;

constexpr double kTwoSided95 = 1.96;  // sd either side that hold 95 % of a normal distribution

std::optional<double> number(const json& object, const char* key) {
  const auto found = object.find(key);
  if (found == object.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
}

std::string word(const json& object, const char* key) {
  const auto found = object.find(key);
  return found != object.end() && found->is_string() ? found->get<std::string>() : "None";
}

/// A list that may be missing.
json list(const json& object, const char* key) {
  const auto found = object.find(key);
  return found != object.end() && found->is_array() ? *found : json::array();
}

bool has_flag(const json& frame, const char* flag) {
  const json flags = list(frame, "flags");
  return std::ranges::find(flags, json(flag)) != flags.end();
}

Line fit_line(const std::vector<double>& x, const std::vector<double>& y) {
  const auto n = static_cast<double>(x.size());
  double mx = 0.0, my = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) mx += x[i] / n, my += y[i] / n;
  double sxx = 0.0, sxy = 0.0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    sxx += (x[i] - mx) * (x[i] - mx);
    sxy += (x[i] - mx) * (y[i] - my);
  }
  const double slope = sxx > 0.0 ? sxy / sxx : 0.0;
  return {.slope = slope, .offset = my - slope * mx};
}

double rms(const std::vector<double>& errors) {
  double sum = 0.0;
  for (const double e : errors) sum += e * e;
  return std::sqrt(sum / static_cast<double>(errors.size()));
}

/// Kendall's rank correlation: agreeing pairs less disagreeing ones, over all pairs.
double kendall_tau(const std::vector<double>& x, const std::vector<double>& y) {
  int agree = 0, pairs = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    for (std::size_t j = 0; j < i; ++j, ++pairs) {
      const double sign = (x[i] - x[j]) * (y[i] - y[j]);
      agree += static_cast<int>(sign > 0.0) - static_cast<int>(sign < 0.0);
    }
  }
  return static_cast<double>(agree) / pairs;
}

void score_positions(const json& said, const json& truth, BurstScore& score) {
  std::map<std::string, json> said_frames;
  for (const json& frame : list(said, "frames")) said_frames[word(frame, "file")] = frame;
  std::vector<double> got, expected;
  std::vector<std::optional<double>> sds;
  for (const json& frame : truth.at("frames")) {
    if (!frame.value("on_subject", true) || has_flag(frame, "dark")) continue;
    ++score.used.due;
    const auto found = said_frames.find(word(frame, "file"));
    if (found == said_frames.end()) continue;
    const auto position = number(found->second, "focus_px");
    if (!position) continue;
    got.push_back(*position);
    expected.push_back(frame.at("focus_px").get<double>());
    sds.push_back(number(found->second, "focus_sd_px"));
  }
  score.used.found = got.size();
  constexpr std::size_t kFewest = 3;  // two positions always lie on a line
  if (got.size() < kFewest) return;

  const double slope = fit_line(expected, got).slope;
  score.scale = std::abs(slope);
  const double sign = slope < 0.0 ? -1.0 : 1.0;
  double shift = 0.0;
  for (std::size_t i = 0; i < got.size(); ++i) shift += expected[i] - sign * got[i];
  shift /= static_cast<double>(got.size());
  const Line line = fit_line(got, expected);
  std::vector<double> shifted, rescaled;
  for (std::size_t i = 0; i < got.size(); ++i) {
    shifted.push_back(sign * got[i] + shift - expected[i]);
    rescaled.push_back(line.slope * got[i] + line.offset - expected[i]);
  }
  score.rms_px = rms(shifted);
  score.shape_px = rms(rescaled);
  if (!std::ranges::all_of(sds, [](const auto& sd) { return sd.has_value(); })) return;
  std::size_t held = 0;
  for (std::size_t i = 0; i < got.size(); ++i) {
    held += std::abs(rescaled[i]) <= kTwoSided95 * *sds[i] * std::abs(line.slope) ? 1U : 0U;
  }
  score.cover = static_cast<double>(held) / static_cast<double>(got.size());
}

Count score_gaps(const json& said, const json& truth) {
  std::map<std::string, double> position;
  for (const json& frame : truth.at("frames")) {
    if (const auto q = number(frame, "focus_px")) position[word(frame, "file")] = *q;
  }
  const auto interval = [&](const json& gap) -> std::optional<Interval> {
    const auto after = position.find(word(gap, "after"));
    const auto before = position.find(word(gap, "before"));
    if (after == position.end() || before == position.end()) return std::nullopt;
    return std::minmax(after->second, before->second);
  };
  const json true_gaps = list(truth, "gaps");
  std::vector<Interval> open;
  for (const json& gap : true_gaps) {
    if (const auto i = interval(gap)) open.push_back(*i);
  }
  Count count{.due = true_gaps.size()};
  for (const json& gap : list(said, "gaps")) {
    const auto found = interval(gap);
    const auto match = std::ranges::find_if(open, [&](const Interval& t) {
      const double width = t.second - t.first;
      return found &&
             std::min(found->second, t.second) - std::max(found->first, t.first) >= 0.5 * width &&
             found->second - found->first <= 1.5 * width;
    });
    if (match == open.end()) {
      ++count.wrong;
      continue;
    }
    open.erase(match);
    ++count.found;
  }
  return count;
}

Count compare(const std::set<std::string>& said, const std::set<std::string>& expected) {
  Count count{.due = expected.size()};
  for (const std::string& s : said) ++(expected.contains(s) ? count.found : count.wrong);
  return count;
}

/// The report names ends by time, the truth by distance, which pictures alone do not tell.
Count score_ends(const json& said, const json& truth) {
  const std::string first = truth.value("first_end", "first");
  const auto by_distance = [&](const std::string& end) -> std::string {
    if (end == "first") return first;
    if (end == "last") return first == "near" ? "far" : "near";
    return end;
  };
  std::set<std::string> said_open, true_open;
  for (const json& end : list(said, "ends")) {
    if (word(end, "state") == "open") said_open.insert(by_distance(word(end, "end")));
  }
  for (const json& end : list(truth, "ends")) {
    if (word(end, "state") == "open") true_open.insert(word(end, "end"));
  }
  return compare(said_open, true_open);
}

std::set<std::string> badly_lit(const json& burst) {
  std::set<std::string> files;
  for (const json& frame : list(burst, "frames")) {
    if (has_flag(frame, "dark") || has_flag(frame, "dim")) files.insert(word(frame, "file"));
  }
  return files;
}

}  // namespace

json merged(const json& report) {
  const json bursts = list(report, "bursts");
  if (bursts.empty()) return nullptr;
  json whole = bursts.front();
  for (std::size_t i = 1; i < bursts.size(); ++i) {
    for (const char* key : {"frames", "gaps", "ends"}) {
      json both = list(whole, key);
      for (const json& entry : list(bursts[i], key)) both.push_back(entry);
      whole[key] = std::move(both);
    }
  }
  return whole;
}

BurstScore score_burst(const json& said, const json& truth) {
  BurstScore score;
  score.verdict_said = word(said, "verdict");
  score.verdict_true = truth.at("verdict").get<std::string>();
  const json also = list(truth, "verdict_also");
  score.verdict_right = score.verdict_said == score.verdict_true ||
                        std::ranges::find(also, json(score.verdict_said)) != also.end();
  score_positions(said, truth, score);
  score.gaps = score_gaps(said, truth);
  score.ends = score_ends(said, truth);
  score.dark = compare(badly_lit(said), badly_lit(truth));
  const auto said_turn = number(said.value("advice", json::object()), "turn_factor");
  const auto true_turn = number(truth, "turn_factor");
  if (said_turn && true_turn && *true_turn != 0.0) score.turn = *said_turn / *true_turn;
  return score;
}

StackScore score_stack(const json& said, const std::map<std::string, double>& focus_of) {
  constexpr double kSureSdPx = 1.0;
  constexpr std::size_t kFewestSure = 4;
  StackScore score;
  score.frames = focus_of.size();
  score.gaps = list(said, "gaps").size();
  score.verdict = word(said, "verdict");
  std::vector<double> setting, position;
  for (const json& frame : list(said, "frames")) {
    const auto known = focus_of.find(word(frame, "file"));
    const auto q = number(frame, "focus_px");
    const auto sd = number(frame, "focus_sd_px");
    if (known == focus_of.end() || !q || !sd || *sd > kSureSdPx) continue;
    setting.push_back(known->second);
    position.push_back(*q);
  }
  score.frames_sure = setting.size();
  if (score.frames_sure < kFewestSure) return score;

  const Line line = fit_line(setting, position);
  std::vector<double> errors, ordered, steps;
  for (std::size_t i = 0; i < setting.size(); ++i) {
    errors.push_back(line.slope * setting[i] + line.offset - position[i]);
  }
  for (const auto& [file, focus] : focus_of) ordered.push_back(focus);
  std::ranges::sort(ordered);
  for (std::size_t i = 1; i < ordered.size(); ++i) steps.push_back(ordered[i] - ordered[i - 1]);
  std::ranges::sort(steps);
  score.tau = std::abs(kendall_tau(setting, position));
  score.px_per_step = std::abs(line.slope) * steps[ordered.size() / 2];
  score.rms_steps = rms(errors) / score.px_per_step;
  return score;
}

}  // namespace ringsweep::accuracy
