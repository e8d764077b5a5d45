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
  std::vector<std::string> files;
  for (const json& frame : truth.at("frames")) {
    if (!frame.value("on_subject", true) || has_flag(frame, "dark")) continue;
    ++score.used.due;
    const auto found = said_frames.find(word(frame, "file"));
    if (found == said_frames.end()) continue;
    const auto position = number(found->second, "focus_px");
    if (!position) continue;
    files.push_back(word(frame, "file"));
    got.push_back(*position);
    expected.push_back(frame.at("focus_px").get<double>());
    sds.push_back(number(found->second, "focus_sd_px"));
  }
  score.used.found = got.size();
  constexpr std::size_t kFewest = 3;  // two positions always lie on a line
  if (got.size() < kFewest) return;

  const double slope = fit_line(expected, got).slope;
  score.scale = std::abs(slope);
  score.sign_right = slope > 0.0;
  if (const auto side = said.find("near_side"); side != said.end() && side->is_object()) {
    const std::string from = word(*side, "from");
    if (from == "picture" || from == "unknown") score.sign_told = from == "picture";
  }
  const double sign = slope < 0.0 ? -1.0 : 1.0;
  double shift = 0.0;
  for (std::size_t i = 0; i < got.size(); ++i) shift += expected[i] - sign * got[i];
  shift /= static_cast<double>(got.size());
  const Line line = fit_line(got, expected);
  std::vector<double> shifted, rescaled;
  for (std::size_t i = 0; i < got.size(); ++i) {
    shifted.push_back(sign * got[i] + shift - expected[i]);
    rescaled.push_back(line.slope * got[i] + line.offset - expected[i]);
    FrameError& error = score.errors.emplace_back(
        FrameError{.file = files[i], .px = shifted.back(), .shape_px = rescaled.back()});
    const double sd = sds[i].value_or(0.0) * std::abs(line.slope);
    if (sd > 0.0) error.in_sd = rescaled.back() / sd;
  }
  score.rms_px = rms(shifted);
  score.shape_px = rms(rescaled);
  if (const auto sd = number(said, "scale_sd")) {
    score.scale_holds = std::abs(*score.scale - 1.0) <= kTwoSided95 * *sd;
  }
  if (!std::ranges::all_of(sds, [](const auto& sd) { return sd.has_value(); })) return;
  std::size_t held = 0;
  for (std::size_t i = 0; i < got.size(); ++i) {
    held += std::abs(rescaled[i]) <= kTwoSided95 * *sds[i] * std::abs(line.slope) ? 1U : 0U;
  }
  score.cover = static_cast<double>(held) / static_cast<double>(got.size());
}

/// Allowed step of the truth, px: tests/sample_bursts holds the maker to it.
constexpr double kTrueAllowedPx = 4.0;

void score_gaps(const json& said, const json& truth, BurstScore& score) {
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
  struct TrueGap {
    std::optional<Interval> at;
    double width_px = 0.0;
    bool found = false;
  };
  std::vector<TrueGap> due;
  for (const json& gap : list(truth, "gaps")) {
    due.push_back({.at = interval(gap), .width_px = gap.at("width_px").get<double>()});
  }
  for (const json& gap : list(said, "gaps")) {
    const auto told = interval(gap);
    const auto match = std::ranges::find_if(due, [&](const TrueGap& t) {
      if (!told || !t.at || t.found) return false;
      const double width = t.at->second - t.at->first;
      const double shared =
          std::min(told->second, t.at->second) - std::max(told->first, t.at->first);
      return shared >= 0.5 * width && told->second - told->first <= 1.5 * width;
    });
    const double width_px = number(gap, "width_px").value_or(0.0);
    score.gap_list.told.push_back({.px = width_px, .right = match != due.end()});
    if (const auto p = number(gap, "probability"); p && told)
      score.told_gaps.push_back(
          {.probability = *p, .wider = told->second - told->first > kTrueAllowedPx});
    if (match == due.end()) {
      ++score.gaps.wrong;
      score.false_warning = score.false_warning || !gap.value("soft", false);
      continue;
    }
    match->found = true;
    ++score.gaps.found;
    score.gap_width_errors.push_back(width_px / match->width_px - 1.0);
    if (const double sd = number(gap, "width_sd_px").value_or(0.0); sd > 0.0)
      score.gap_widths_in_sd.push_back((width_px - match->width_px) / sd);
  }
  score.gaps.due = due.size();
  for (const TrueGap& gap : due) score.gap_list.due.push_back({gap.width_px, gap.found});
}

/// Neighbours in the said order. Where that is wrong, the true width is negative.
void score_steps(const json& said, const json& truth, BurstScore& score) {
  std::map<std::string, double> expected, got;
  for (const json& frame : truth.at("frames"))
    if (frame.value("on_subject", true) && !has_flag(frame, "dark"))
      expected[word(frame, "file")] = frame.at("focus_px").get<double>();
  for (const json& frame : list(said, "frames"))
    if (const auto q = number(frame, "focus_px")) got[word(frame, "file")] = *q;
  for (const json& step : list(said, "steps")) {
    const std::string a = word(step, "after"), b = word(step, "before");
    const double sd = number(step, "width_sd_px").value_or(0.0);
    if (!expected.contains(a) || !expected.contains(b) || !(sd > 0.0)) continue;
    const bool same_way = (got.at(a) < got.at(b)) == score.sign_right.value_or(true);
    const double width = (same_way ? 1.0 : -1.0) * (expected.at(b) - expected.at(a));
    score.step_widths_in_sd.push_back((step.at("width_px").get<double>() - width) / sd);
  }
}

Count compare(const std::set<std::string>& said, const std::set<std::string>& expected) {
  Count count{.due = expected.size()};
  for (const std::string& s : said) ++(expected.contains(s) ? count.found : count.wrong);
  return count;
}

/// The report names ends by time, the truth by distance, which pictures alone do not tell.
void score_ends(const json& said, const json& truth, BurstScore& score) {
  if (!said.contains("ends")) return;
  constexpr double kWorthSaying = 0.03;  // of the subject, as in report/summary.cpp
  const std::string first = truth.value("first_end", "first");
  const auto by_distance = [&](const std::string& end) -> std::string {
    if (end == "first") return first;
    if (end == "last") return first == "near" ? "far" : "near";
    return end;
  };
  std::set<std::string> said_open, true_open;
  for (const json& end : list(truth, "ends")) {
    if (word(end, "state") == "open") true_open.insert(word(end, "end"));
  }
  for (const json& end : list(said, "ends")) {
    if (word(end, "state") != "open") continue;
    const std::string open = by_distance(word(end, "end"));
    said_open.insert(open);
    score.false_warning = score.false_warning || (!true_open.contains(open) &&
                                                  end.value("subject_share", 1.0) >= kWorthSaying);
  }
  score.ends = compare(said_open, true_open);
}

/// Files whose frame has one of these flags.
std::set<std::string> flagged(const json& burst, const std::vector<const char*>& flags) {
  std::set<std::string> files;
  for (const json& frame : list(burst, "frames")) {
    if (std::ranges::any_of(flags, [&](const char* flag) { return has_flag(frame, flag); })) {
      files.insert(word(frame, "file"));
    }
  }
  return files;
}

void score_flags(const json& said, const json& truth, BurstScore& score) {
  const json frames = list(said, "frames");
  if (std::ranges::none_of(frames, [](const json& f) { return f.contains("flags"); })) return;
  const auto count = [&](const std::vector<const char*>& flags) {
    return compare(flagged(said, flags), flagged(truth, flags));
  };
  score.lit = count({"dark", "dim"});
  score.dark = count({"dark"});
  score.dim = count({"dim"});
  const json checks = list(said, "checks_made");
  if (std::ranges::any_of(checks, [](const json& check) {
        return check.is_string() && check.get<std::string>().starts_with("shak");
      })) {
    // Off the subject nobody misses a frame: it is not due, nor is it false.
    std::set<std::string> told = flagged(said, {"shaken"}), due = flagged(truth, {"shaken"});
    for (const json& frame : list(truth, "frames")) {
      const std::string file = word(frame, "file");
      if (!frame.value("on_subject", true) && due.erase(file) > 0) told.erase(file);
    }
    score.shaken = compare(told, due);
  }
}

/// The frames of a burst as the truth knows them: their order, and where the scene is in them.
class Order {
 public:
  Order(const json& said, const json& truth) {
    const json& frames = truth.at("frames");
    reference_ = frames.at(0);
    for (std::size_t k = 0; k < frames.size(); ++k) {
      at_[word(frames[k], "file")] = static_cast<int>(k);
      if (word(frames[k], "file") == word(said, "reference")) reference_ = frames[k];
    }
  }

  /// Both names within a frame of each other; the second is one of the truth's.
  [[nodiscard]] bool near(const std::string& said, const std::string& expected) const {
    const auto found = at_.find(said);
    return found != at_.end() && std::abs(found->second - at_.at(expected)) <= 1;
  }

  /// The first name is not after the second; false where one is no frame of the truth.
  [[nodiscard]] bool in_order(const std::string& name, const std::string& other) const {
    const auto first = at_.find(name), second = at_.find(other);
    return first != at_.end() && second != at_.end() && first->second <= second->second;
  }

  /// Scene px to px of the frame that the report calls its reference.
  [[nodiscard]] std::pair<double, double> in_reference(double x, double y) const {
    const json& m = reference_.at("from_scene");
    const double a = m.at(0), b = m.at(1), tx = m.at(2), ty = m.at(3);
    return {a * x - b * y + tx, b * x + a * y + ty};
  }

 private:
  json reference_;
  std::map<std::string, int> at_;
};

struct Box {
  double x = 0.0, y = 0.0, width = 0.0, height = 0.0;
  [[nodiscard]] double area() const { return width * height; }
};

Box read_box(const json& box) { return {box.at(0), box.at(1), box.at(2), box.at(3)}; }

Box around(const std::vector<std::pair<double, double>>& points) {
  const auto [left, right] =
      std::ranges::minmax_element(points, {}, [](const auto& p) { return p.first; });
  const auto [top, bottom] =
      std::ranges::minmax_element(points, {}, [](const auto& p) { return p.second; });
  return {left->first, top->second, right->first - left->first, bottom->second - top->second};
}

Box in_reference(const Order& order, const Box& box) {
  return around({order.in_reference(box.x, box.y), order.in_reference(box.x + box.width, box.y),
                 order.in_reference(box.x, box.y + box.height),
                 order.in_reference(box.x + box.width, box.y + box.height)});
}

/// Share of the true box that the said one covers.
double covered(const Box& said, const Box& expected) {
  const double width =
      std::min(said.x + said.width, expected.x + expected.width) - std::max(said.x, expected.x);
  const double height =
      std::min(said.y + said.height, expected.y + expected.height) - std::max(said.y, expected.y);
  return std::max(0.0, width) * std::max(0.0, height) / std::max(1e-9, expected.area());
}

void score_moves(const json& said, const json& truth, BurstScore& score) {
  if (!said.contains("moved")) return;
  struct Part {
    std::string file;
    Box box;
    double shift_px = 0.0;
    std::string kind{};
    double seen_px = 0.0;
    bool warned_of = true;  // another move stands in the report alone
  };
  constexpr double kSharp = 0.1;  // of it: from here on trembling is spoken of, as in movement.h
  const Order order(said, truth);
  std::vector<Part> due, told;
  std::vector<std::pair<double, double>> corners;
  for (const json& move : list(truth, "moved")) {
    due.push_back({.file = word(move, "file"),
                   .box = in_reference(order, read_box(move.at("scene_box"))),
                   .shift_px = number(move, "shift_px").value_or(0.0),
                   .kind = word(move, "kind"),
                   .seen_px = number(move, "seen_px").value_or(0.0)});
    const Box& box = due.back().box;
    corners.insert(corners.end(), {{box.x, box.y}, {box.x + box.width, box.y + box.height}});
  }
  for (const json& move : list(said, "moved")) {
    told.push_back({.file = word(move, "file"),
                    .box = read_box(move.at("box")),
                    .shift_px = number(move, "shift_px").value_or(0.0),
                    .warned_of = move.value("conflict", true) ||
                                 (word(move, "kind") == "to-and-fro" &&
                                  std::min(move.value("sharp_before", 1.0),
                                           move.value("sharp_after", 1.0)) >= kSharp)});
  }
  // A box around everything would find every movement.
  const double largest = due.empty() ? 0.0 : 2.0 * around(corners).area();
  constexpr double kEnough = 0.3;
  Count count{.due = due.size()};
  for (const Part& part : due) {
    MoveScore move{.kind = part.kind, .shift_px = part.shift_px, .seen_px = part.seen_px};
    for (const Part& t : told) {
      if (t.box.area() > largest || covered(t.box, part.box) < kEnough) continue;
      move.seen_there = true;
      if (!order.near(t.file, part.file)) continue;
      move.found = true;
      const double error = t.shift_px - part.shift_px;
      if (!move.error_px || std::abs(error) < std::abs(*move.error_px)) move.error_px = error;
    }
    count.found += move.found ? 1U : 0U;
    score.move_list.due.push_back({part.shift_px, move.found});
    score.moves.push_back(std::move(move));
  }
  for (const Part& t : told) {
    const bool there = t.box.area() <= largest && std::ranges::any_of(due, [&](const Part& part) {
                         return covered(t.box, part.box) > 0.0;
                       });
    count.wrong += there ? 0U : 1U;
    score.false_warning = score.false_warning || (t.warned_of && !there);
    score.move_list.told.push_back({t.shift_px, there});
  }
  score.moved = count;
}

void score_drops(const json& said, const json& truth, BurstScore& score) {
  if (!said.contains("drops")) return;
  const Order order(said, truth);
  std::vector<json> due = list(truth.value("drops", json::object()), "lost");
  // Those that are due take first what lies near them.
  std::ranges::stable_sort(due, {}, [](const json& drop) { return drop.value("optional", false); });
  std::vector<json> told = list(said.at("drops"), "lost");
  Count drops, when, open;
  for (const json& drop : due) {
    const double radius_px = drop.at("radius_px").get<double>();
    const auto [x, y] = order.in_reference(drop.at("scene_x"), drop.at("scene_y"));
    const auto distance = [x = x, y = y](const json& d) {
      return std::hypot(d.at("x").get<double>() - x, d.at("y").get<double>() - y);
    };
    const auto nearest = std::ranges::min_element(told, {}, distance);
    constexpr double kLeastReachPx = 6.0, kReach = 1.5;
    const bool found =
        nearest != told.end() && distance(*nearest) <= std::max(kLeastReachPx, kReach * radius_px);
    const bool optional = drop.value("optional", false);
    if (!optional) {
      ++drops.due;
      score.drop_list.due.push_back({radius_px, found});
    }
    if (!found) continue;
    if (!optional) {
      ++drops.found;
      const bool in_time = std::ranges::all_of(
          std::vector<const char*>{"last_seen", "first_missing"},
          [&](const char* key) { return order.near(word(*nearest, key), word(drop, key)); });
      const bool left_open =
          order.in_order(word(*nearest, "last_seen"), word(drop, "last_seen")) &&
          order.in_order(word(drop, "first_missing"), word(*nearest, "first_missing"));
      when.found += in_time ? 1U : 0U;
      open.found += in_time || left_open ? 1U : 0U;
      score.drop_list.told.push_back({number(*nearest, "radius_px").value_or(0.0), true});
    }
    told.erase(nearest);
  }
  for (const json& drop : told) {
    score.drop_list.told.push_back({number(drop, "radius_px").value_or(0.0), false});
  }
  drops.wrong = told.size();
  when.due = open.due = drops.due;
  score.drops = drops;
  score.when = when;
  score.open = open;
}

}  // namespace

json merged(const json& report) {
  const json bursts = list(report, "bursts");
  if (bursts.empty()) return nullptr;
  json whole = bursts.front();
  const auto append = [](json& to, const json& from, const char* key) {
    json both = list(to, key);
    for (const json& entry : list(from, key)) both.push_back(entry);
    to[key] = std::move(both);
  };
  for (std::size_t i = 1; i < bursts.size(); ++i) {
    for (const char* key : {"frames", "gaps", "ends"}) append(whole, bursts[i], key);
    if (whole.contains("steps") || bursts[i].contains("steps")) append(whole, bursts[i], "steps");
    if (whole.contains("moved") || bursts[i].contains("moved")) append(whole, bursts[i], "moved");
    if (bursts[i].contains("drops")) {
      if (!whole.contains("drops")) whole["drops"] = json::object();
      append(whole["drops"], bursts[i]["drops"], "lost");
    }
  }
  whole["split_into"] = bursts.size();
  return whole;
}

/// Of sweeps through different apertures those that have no common fit are told in px of blur of
/// the best one, against which `blur` of the others is: what the truth says in those of the
/// recipe's.
json in_unit_of(const json& said, json truth) {
  constexpr double kSame = 0.1;  // apertures go by thirds of a stop: 12 % and more
  const json sweeps = list(said, "sweeps");
  const auto blurs = [](const json& sweep) { return number(sweep, "blur").value_or(0.0); };
  if (std::ranges::none_of(sweeps, [&](const json& s) { return std::abs(blurs(s)) > kSame; }))
    return truth;
  const auto best =
      std::ranges::find_if(sweeps, [&](const json& s) { return std::abs(blurs(s)) <= kSame; });
  if (best == sweeps.end()) return truth;
  const std::string file =
      word(said.at("frames").at(best->at("first").get<std::size_t>() - 1), "file");
  double factor = 1.0;
  for (const json& frame : truth.at("frames"))
    if (word(frame, "file") == file) factor = number(frame, "blur").value_or(1.0);
  for (const char* of : {"frames", "gaps"})
    for (json& entry : truth[of])
      for (const char* key : {"focus_px", "width_px"})
        if (const auto px = number(entry, key)) entry[key] = factor * *px;
  if (const auto turn = number(truth, "turn_factor")) truth["turn_factor"] = *turn / factor;
  if (const auto frames = number(truth, "frames_for_same_turn"))
    truth["frames_for_same_turn"] = *frames * factor;
  return truth;
}

BurstScore score_burst(const json& said, const json& true_burst) {
  const json truth = in_unit_of(said, true_burst);
  BurstScore score;
  score.split_into = said.value("split_into", std::size_t{1});
  score.verdict_said = word(said, "verdict");
  score.verdict_true = truth.at("verdict").get<std::string>();
  const json also = list(truth, "verdict_also");
  score.verdict_right = score.verdict_said == score.verdict_true ||
                        std::ranges::find(also, json(score.verdict_said)) != also.end();
  score_positions(said, truth, score);
  score_gaps(said, truth, score);
  score_steps(said, truth, score);
  score_ends(said, truth, score);
  score_flags(said, truth, score);
  score_moves(said, truth, score);
  score_drops(said, truth, score);
  const auto said_turn = number(said.value("advice", json::object()), "turn_factor");
  const auto true_turn = number(truth, "turn_factor");
  if (said_turn && true_turn && *true_turn != 0.0) score.turn = *said_turn / *true_turn;
  const auto said_frames = number(said.value("advice", json::object()), "frames_for_same_turn");
  const auto true_frames = number(truth, "frames_for_same_turn");
  if (said_frames && true_frames && *true_frames != 0.0) {
    // Whole frames are said: up to half of one is rounding.
    const double off = *said_frames - *true_frames;
    score.same_turn = 1.0 + std::copysign(std::max(0.0, std::abs(off) - 0.5), off) / *true_frames;
  }
  if (const auto widest = number(truth, "widest_step_px"))
    score.widest_step = *widest / kTrueAllowedPx;
  const json drops = truth.value("drops", json::object());
  score.at_rest = list(truth, "moved").empty() && list(drops, "lost").empty() &&
                  list(drops, "appeared").empty();
  for (const auto& count : {score.shaken, score.drops})
    score.false_warning = score.false_warning || (count && count->wrong > 0);
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
