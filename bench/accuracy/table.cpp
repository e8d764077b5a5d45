#include "table.h"

#include <fmt/core.h>

#include <algorithm>
#include <cmath>
#include <functional>
#include <nlohmann/json.hpp>
#include <set>
#include <stdexcept>
#include <tuple>
#include <utility>

namespace ringsweep::accuracy {
namespace {

using nlohmann::json;

constexpr std::size_t kWorst = 3;
constexpr const char* kNone = "none said";
constexpr const char* kNoSd = "no sd said";

Figure no_value(std::string why) { return {.why = std::move(why)}; }

/// A share of cases; without any, the reason is given.
Figure share(std::size_t hits, std::size_t n, std::string why) {
  if (n == 0) return no_value(std::move(why));
  return {.value = static_cast<double>(hits) / static_cast<double>(n),
          .cases = n,
          .hits = hits,
          .interval = wilson95(hits, n)};
}

using Reduce = double (*)(const std::vector<double>&);

double mean(const std::vector<double>& v) {
  double sum = 0.0;
  for (const double x : v) sum += x;
  return sum / static_cast<double>(v.size());
}

double rms(const std::vector<double>& v) {
  double sum = 0.0;
  for (const double x : v) sum += x * x;
  return std::sqrt(sum / static_cast<double>(v.size()));
}

/// About the mean, n - 1: these bursts stand for others.
double sd(const std::vector<double>& v) {
  const double m = mean(v);
  double sum = 0.0;
  for (const double x : v) sum += (x - m) * (x - m);
  return std::sqrt(sum / static_cast<double>(v.size() - 1));
}

/// The farthest from 0, with its sign.
double worst(const std::vector<double>& v) {
  return *std::ranges::max_element(v, {}, [](double x) { return std::abs(x); });
}

double median(const std::vector<double>& v) {
  std::vector<double> sorted = v;
  const auto middle = sorted.begin() + static_cast<std::ptrdiff_t>(sorted.size() / 2);
  std::ranges::nth_element(sorted, middle);
  return *middle;
}

double largest(const std::vector<double>& v) { return std::ranges::max(v); }

Figure reduce(const std::vector<double>& values, Reduce how, std::string why,
              std::size_t fewest = 1) {
  if (values.size() < fewest) return no_value(std::move(why));
  return {.value = how(values), .cases = values.size()};
}

/// The scores of one method on the bursts of a table.
struct Side {
  std::vector<const BurstScore*> scores;
  std::vector<double> seconds;
  bool model = true;  ///< ours; false: the naive check

  /// Why there is no value, when nothing was looked for.
  [[nodiscard]] std::string unchecked() const { return absent("not checked"); }
  /// Why there is no value, when answers are there but hold no case.
  [[nodiscard]] std::string absent(const char* why) const {
    if (!model) return "cannot tell";
    return scores.empty() ? "no answer" : why;
  }
};

using Values = std::function<void(const BurstScore&, std::vector<double>&)>;

std::vector<double> gather(const Side& side, const Values& values) {
  std::vector<double> all;
  for (const BurstScore* score : side.scores) values(*score, all);
  return all;
}

using PickCount = std::function<std::optional<Count>(const BurstScore&)>;
using PickEvents = std::function<const Events&(const BurstScore&)>;

Figure missed(const Side& side, const PickCount& pick) {
  std::size_t due = 0, found = 0, checked = 0;
  for (const BurstScore* score : side.scores) {
    const auto count = pick(*score);
    if (!count) continue;
    ++checked;
    due += count->due;
    found += count->found;
  }
  return share(due - found, due, checked > 0 ? "none due" : side.unchecked());
}

Figure falsely(const Side& side, const PickCount& pick) {
  std::size_t told = 0, wrong = 0, checked = 0;
  for (const BurstScore* score : side.scores) {
    const auto count = pick(*score);
    if (!count) continue;
    ++checked;
    told += count->found + count->wrong;
    wrong += count->wrong;
  }
  return share(wrong, told, checked > 0 ? "none told" : side.unchecked());
}

/// Of the sizes within [low, high): the share that is not right.
Figure not_right(const Side& side, const PickCount& pick, const PickEvents& events,
                 std::vector<Sized> Events::*which, double low, double high) {
  std::size_t n = 0, wrong = 0, checked = 0;
  for (const BurstScore* score : side.scores) {
    if (!pick(*score)) continue;
    ++checked;
    for (const Sized& one : events(*score).*which) {
      if (one.px < low || one.px >= high) continue;
      ++n;
      wrong += one.right ? 0U : 1U;
    }
  }
  const char* why = which == &Events::due ? "none due" : "none told";
  return share(wrong, n, checked > 0 ? why : side.unchecked());
}

/// Builds the rows of one table.
class Rows {
 public:
  Rows(std::vector<const Case*> cases) : cases_(std::move(cases)) {
    naive_.model = false;
    for (const Case* c : cases_) {
      if (c->ours) {
        ours_.scores.push_back(&*c->ours);
        ours_.seconds.push_back(c->seconds);
      }
      if (c->lens_given) lens_given_.scores.push_back(&*c->lens_given);
      if (c->lens_given && c->ours) lens_unknown_.scores.push_back(&*c->ours);
      if (c->naive) {
        naive_.scores.push_back(&*c->naive);
        naive_.seconds.push_back(c->naive_seconds);
      }
    }
  }

  std::vector<Row> all() {
    positions();
    scale();
    diffraction();
    near_side();
    coverage();
    frames();
    movement();
    drops();
    verdicts();
    advice_and_time();
    return std::move(rows_);
  }

 private:
  using Measure = std::function<Figure(const Side&)>;
  /// How bad one burst is in this figure; 0 or absent: it is no candidate.
  using Badness = std::function<std::optional<double>(const Case&)>;

  void heading(std::string part) { part_ = std::move(part); }

  void add(std::string id, std::string label, Unit unit, const Measure& measure,
           const Badness& badness = {}) {
    rows_.push_back({.id = std::move(id),
                     .part = part_,
                     .label = std::move(label),
                     .unit = unit,
                     .ours = measure(ours_),
                     .naive = measure(naive_)});
    if (badness) rows_.back().worst = worst_bursts(badness);
  }

  [[nodiscard]] std::vector<NamedValue> worst_bursts(const Badness& badness) const {
    std::vector<NamedValue> named;
    for (const Case* c : cases_) {
      const auto value = badness(*c);
      if (value && *value != 0.0) named.push_back({c->name, *value});
    }
    std::ranges::stable_sort(named, std::ranges::greater{},
                             [](const NamedValue& n) { return std::abs(n.value); });
    if (named.size() > kWorst) named.resize(kWorst);
    return named;
  }

  /// @param why  there are answers, but fewer than `fewest` values
  void add_reduced(std::string id, std::string label, Unit unit, const Values& values, Reduce how,
                   const char* why, const Badness& badness = {}, std::size_t fewest = 1) {
    add(
        std::move(id), std::move(label), unit,
        [&](const Side& side) {
          return reduce(gather(side, values), how, side.absent(why), fewest);
        },
        badness);
  }

  /// Share of 95 % intervals that hold the truth. @param in_sd errors in said sds
  void add_holds(std::string id, std::string label, const Values& in_sd, const char* why) {
    add(std::move(id), std::move(label), Unit::share, [&](const Side& side) {
      const std::vector<double> z = gather(side, in_sd);
      const auto held = std::ranges::count_if(z, [](double x) { return std::abs(x) <= 1.96; });
      return share(static_cast<std::size_t>(held), z.size(), side.absent(why));
    });
  }

  /// Share of relative errors that are at most `most`.
  void add_within(std::string id, std::string label, const Values& error, double most) {
    add(std::move(id), std::move(label), Unit::share, [&](const Side& side) {
      const std::vector<double> e = gather(side, error);
      const auto within = std::ranges::count_if(e, [&](double x) { return std::abs(x) <= most; });
      return share(static_cast<std::size_t>(within), e.size(), side.absent(kNone));
    });
  }

  void positions() {
    heading("focal positions, frames on the subject");
    const Values px = [](const BurstScore& s, std::vector<double>& to) {
      for (const FrameError& e : s.errors) to.push_back(e.px);
    };
    const Values shape = [](const BurstScore& s, std::vector<double>& to) {
      for (const FrameError& e : s.errors) to.push_back(e.shape_px);
    };
    const Values in_sd = [](const BurstScore& s, std::vector<double>& to) {
      for (const FrameError& e : s.errors) {
        if (e.in_sd) to.push_back(*e.in_sd);
      }
    };
    add("position.missing", "frames without a position", Unit::share, [](const Side& side) {
      return missed(side, [](const BurstScore& s) { return std::optional(s.used); });
    });
    const auto rms_of = [](const Case& c) { return c.ours ? c.ours->rms_px : std::nullopt; };
    const auto shape_of = [](const Case& c) { return c.ours ? c.ours->shape_px : std::nullopt; };
    add_reduced("position.rms_px", "error, rms", Unit::px, px, rms, kNone, rms_of);
    add_reduced("position.worst_px", "error, worst frame", Unit::px, px, worst, kNone);
    add_reduced("position.shape_rms_px", "shape error (scale freed), rms", Unit::px, shape, rms,
                kNone, shape_of);
    add_reduced("position.shape_worst_px", "shape error, worst frame", Unit::px, shape, worst,
                kNone);
    add_reduced("position.rms_sd", "shape error in sd, rms (1 is right)", Unit::sd, in_sd, rms,
                kNoSd);
    add_reduced("position.worst_sd", "shape error in sd, worst frame", Unit::sd, in_sd, worst,
                kNoSd);
    add_holds("position.holds", "95 % interval holds", in_sd, kNoSd);
  }

  void scale() {
    heading("px scale, bursts");
    const Values error = [](const BurstScore& s, std::vector<double>& to) {
      if (s.scale) to.push_back(*s.scale - 1.0);
    };
    add_reduced("scale.mean", "scale error, mean", Unit::relative, error, mean, kNone,
                [](const Case& c) -> std::optional<double> {
                  if (!c.ours || !c.ours->scale) return std::nullopt;
                  return *c.ours->scale - 1.0;
                });
    add_reduced("scale.sd", "scale error, sd", Unit::relative, error, sd, "fewer than two", {}, 2);
    add_reduced("scale.worst", "scale error, worst", Unit::relative, error, worst, kNone);
    add_within("scale.within", "within 3 %", error, 0.03);
    add("scale.holds", "95 % interval holds", Unit::share,
        [](const Side& side) { return scale_held(side, side.absent(kNoSd)); });
  }

  /// Share of the scores of which `pick` says yes, of those of which it says anything.
  template <class Pick>
  static Figure share_of(const Side& side, const Pick& pick, std::string why) {
    std::size_t n = 0, yes = 0;
    for (const BurstScore* s : side.scores) {
      const std::optional<bool> said = pick(*s);
      if (!said) continue;
      ++n;
      yes += *said ? 1U : 0U;
    }
    return share(yes, n, std::move(why));
  }

  static Figure scale_held(const Side& side, std::string why) {
    return share_of(
        side, [](const BurstScore& s) { return s.scale_holds; }, std::move(why));
  }

  /// The same bursts with the lens known and without. With it, 5 % are the limit; without, the
  /// stated interval is to hold.
  void diffraction() {
    heading("px scale, bursts with diffraction");
    constexpr double kLimit = 0.05;
    const Values error = [](const BurstScore& s, std::vector<double>& to) {
      if (s.scale) to.push_back(*s.scale - 1.0);
    };
    for (const auto& [id, lens, of] : {std::tuple{"lens-given", "lens given", &lens_given_},
                                       {"lens-unknown", "not given", &lens_unknown_}}) {
      const auto add_row = [&](const char* part, const char* label, Unit unit, auto figure) {
        add(fmt::format("scale.{}.{}", id, part), fmt::format("{}: {}", lens, label), unit,
            [&](const Side& side) {
              if (!side.model) return no_value(side.unchecked());
              return figure(of->scores.empty() ? "no such burst" : kNone);
            });
      };
      const std::vector<double> errors = gather(*of, error);
      add_row("mean", "scale error, mean", Unit::relative,
              [&](const char* why) { return reduce(errors, mean, why); });
      add_row("sd", "scale error, sd", Unit::relative, [&](const char* why) {
        return reduce(errors, sd, errors.empty() ? why : "fewer than two", 2);
      });
      add_row("worst", "scale error, worst", Unit::relative,
              [&](const char* why) { return reduce(errors, worst, why); });
      add_row("within", "scale within 5 %", Unit::share, [&](const char* why) {
        const auto within =
            std::ranges::count_if(errors, [](double e) { return std::abs(e) <= kLimit; });
        return share(static_cast<std::size_t>(within), errors.size(), why);
      });
      add_row("holds", "95 % interval holds", Unit::share,
              [&](const char* why) { return scale_held(*of, why); });
    }
  }

  void near_side() {
    heading("which end is near");
    // Whether it is right is known of those only that have positions.
    add("side.told", "told by the picture", Unit::share, [](const Side& side) {
      return share_of(
          side,
          [](const BurstScore& s) { return s.sign_right ? s.sign_told : std::optional<bool>(); },
          side.absent("not asked"));
    });
    add(
        "side.right", "right, of those told", Unit::share,
        [](const Side& side) {
          return share_of(
              side,
              [](const BurstScore& s) {
                return s.sign_told.value_or(false) ? s.sign_right : std::optional<bool>();
              },
              side.absent("none told"));
        },
        [](const Case& c) -> std::optional<double> {
          if (!c.ours || !c.ours->sign_told.value_or(false)) return std::nullopt;
          return c.ours->sign_right.value_or(true) ? 0.0 : 1.0;
        });
  }

  void events(const std::string& id, const std::string& what, const PickCount& pick) {
    add(
        id + ".missed", what + " missed", Unit::share,
        [&](const Side& side) { return missed(side, pick); },
        [&](const Case& c) -> std::optional<double> {
          const auto count = c.ours ? pick(*c.ours) : std::nullopt;
          if (!count) return std::nullopt;
          return static_cast<double>(count->due - count->found);
        });
    add(
        id + ".false", what + " false, of those told", Unit::share,
        [&](const Side& side) { return falsely(side, pick); },
        [&](const Case& c) -> std::optional<double> {
          const auto count = c.ours ? pick(*c.ours) : std::nullopt;
          if (!count) return std::nullopt;
          return static_cast<double>(count->wrong);
        });
  }

  void sizes(const std::string& id, const std::string& what, std::span<const double> edges,
             const PickCount& pick, const PickEvents& events) {
    for (std::size_t i = 0; i + 1 < edges.size(); ++i) {
      const double low = edges[i], high = edges[i + 1];
      const std::string bin = fmt::format("{}-{}", low, high);
      add(fmt::format("{}.missed.{}", id, bin), fmt::format("  missed, {} {} px", what, bin),
          Unit::share,
          [&](const Side& side) { return not_right(side, pick, events, &Events::due, low, high); });
      add(fmt::format("{}.false.{}", id, bin), fmt::format("  false, {} {} px", what, bin),
          Unit::share, [&](const Side& side) {
            return not_right(side, pick, events, &Events::told, low, high);
          });
    }
  }

  void coverage() {
    heading("gaps and ends");
    const PickCount gaps = [](const BurstScore& s) { return std::optional(s.gaps); };
    events("gaps", "gaps", gaps);
    sizes("gaps", "width", kGapEdgesPx, gaps,
          [](const BurstScore& s) -> const Events& { return s.gap_list; });
    const Values widths = [](const BurstScore& s, std::vector<double>& to) {
      to.insert(to.end(), s.gap_width_errors.begin(), s.gap_width_errors.end());
    };
    add_reduced("gaps.width_rms", "gap width error, rms", Unit::relative, widths, rms, "none found",
                [](const Case& c) -> std::optional<double> {
                  if (!c.ours || c.ours->gap_width_errors.empty()) return std::nullopt;
                  return worst(c.ours->gap_width_errors);
                });
    add_reduced("gaps.width_worst", "gap width error, worst", Unit::relative, widths, worst,
                "none found");
    add_holds(
        "gaps.width_holds", "gap width, 95 % interval holds",
        [](const BurstScore& s, std::vector<double>& to) {
          to.insert(to.end(), s.gap_widths_in_sd.begin(), s.gap_widths_in_sd.end());
        },
        "none found");
    const Values steps = [](const BurstScore& s, std::vector<double>& to) {
      to.insert(to.end(), s.step_widths_in_sd.begin(), s.step_widths_in_sd.end());
    };
    add_reduced("steps.rms_sd", "neighbours' width, error in sd, rms", Unit::sd, steps, rms, kNoSd);
    add_holds("steps.holds", "neighbours' width, 95 % interval holds", steps, kNoSd);
    events("ends", "open ends", [](const BurstScore& s) { return s.ends; });
  }

  void frames() {
    heading("frames");
    events("dark", "dark frames", [](const BurstScore& s) { return s.dark; });
    events("dim", "dim frames", [](const BurstScore& s) { return s.dim; });
    events("shaken", "shaken frames", [](const BurstScore& s) { return s.shaken; });
  }

  void movement() {
    heading("moved parts");
    const PickCount pick = [](const BurstScore& s) { return s.moved; };
    events("moved", "moved parts", pick);
    sizes("moved", "shift", kMoveEdgesPx, pick,
          [](const BurstScore& s) -> const Events& { return s.move_list; });
    // Of what shows 40 x 40 px and more of itself.
    constexpr double kLargePx = 40.0 * 40.0;
    using Of = std::function<bool(const MoveScore&)>;
    const auto large = [&](const std::string& id, const std::string& what, const Of& of,
                           bool MoveScore::*right) {
      add("moved.large." + id, "  40 x 40 px and more: " + what, Unit::share,
          [=](const Side& side) {
            std::size_t n = 0, wrong = 0;
            for (const BurstScore* s : side.scores)
              for (const MoveScore& move : s->moves)
                if (move.seen_px >= kLargePx && of(move)) ++n, wrong += move.*right ? 0U : 1U;
            return share(wrong, n, side.scores.empty() ? side.unchecked() : "none due");
          });
    };
    const Of far = [](const MoveScore& m) { return m.kind == "stays" && m.shift_px >= 2.0; };
    large("far", "missed, moved by 2 px and more", far, &MoveScore::found);
    large(
        "near", "missed, moved by 1 to 2 px",
        [](const MoveScore& m) {
          return m.kind == "stays" && m.shift_px >= 1.0 && m.shift_px < 2.0;
        },
        &MoveScore::found);
    large(
        "drifts", "missed, drifted by 3 px and more",
        [](const MoveScore& m) { return m.kind == "drifts" && m.shift_px >= 3.0; },
        &MoveScore::seen_there);
    large(
        "late", "seen, but not within a frame of when",
        [](const MoveScore& m) { return m.kind == "stays" && m.seen_there; }, &MoveScore::found);
    const Values errors = [](const BurstScore& s, std::vector<double>& to) {
      for (const MoveScore& move : s.moves)
        if (move.error_px && move.kind == "stays") to.push_back(std::abs(*move.error_px));
    };
    add_reduced("moved.error_median", "error of the shift, median", Unit::px, errors, median,
                "none found");
    add("moved.error_within", "error of the shift beyond 0.3 px", Unit::share,
        [errors](const Side& side) {
          constexpr double kAskedPx = 0.3;
          const std::vector<double> all = gather(side, errors);
          const auto beyond =
              std::ranges::count_if(all, [](double error) { return error > kAskedPx; });
          return share(static_cast<std::size_t>(beyond), all.size(), "none found");
        });
  }

  void drops() {
    heading("lost drops");
    const PickCount pick = [](const BurstScore& s) { return s.drops; };
    events("drops", "lost drops", pick);
    sizes("drops", "radius", kDropEdgesPx, pick,
          [](const BurstScore& s) -> const Events& { return s.drop_list; });
    const auto late = [&](const std::string& id, const std::string& what,
                          std::optional<Count> BurstScore::*in_time) {
      add(id, what, Unit::share, [=](const Side& side) {
        std::size_t found = 0, right = 0, checked = 0;
        for (const BurstScore* s : side.scores) {
          if (!s->drops || !(s->*in_time)) continue;
          ++checked;
          found += s->drops->found;
          right += (s->*in_time)->found;
        }
        return share(found - right, found, checked > 0 ? "none found" : side.unchecked());
      });
    };
    late("drops.late", "found, but not within a frame of when", &BurstScore::when);
    late("drops.outside", "found, nor with that in the time left open", &BurstScore::open);
  }

  /// A burst without an answer has no right verdict.
  [[nodiscard]] Figure verdict_share(const Side& side, const std::string& verdict) const {
    if (side.scores.empty() && !side.model) return no_value(side.unchecked());
    std::size_t n = 0, right = 0;
    for (const Case* c : cases_) {
      if (c->verdict_true.empty() || (!verdict.empty() && c->verdict_true != verdict)) continue;
      ++n;
      const auto& score = side.model ? c->ours : c->naive;
      right += score && score->verdict_right ? 1U : 0U;
    }
    return share(right, n, "no such burst");
  }

  void verdicts() {
    heading("verdict, bursts");
    add(
        "verdict.right", "right, all", Unit::share,
        [&](const Side& side) { return verdict_share(side, ""); },
        [](const Case& c) -> std::optional<double> {
          const bool right = c.ours && c.ours->verdict_right;
          return right || c.verdict_true.empty() ? 0.0 : 1.0;
        });
    for (const char* verdict : {"complete", "complete-without", "reshoot"}) {
      add(fmt::format("verdict.right.{}", verdict), fmt::format("right where {}", verdict),
          Unit::share, [&](const Side& side) { return verdict_share(side, verdict); });
    }
    add(
        "verdict.false_complete", "said complete, but is not", Unit::share,
        [](const Side& side) {
          std::size_t n = 0, wrong = 0;
          for (const BurstScore* s : side.scores) {
            if (s->verdict_said != "complete") continue;
            ++n;
            wrong += s->verdict_right ? 0U : 1U;
          }
          return share(wrong, n, side.scores.empty() ? side.unchecked() : "none said");
        },
        [](const Case& c) -> std::optional<double> {
          if (!c.ours) return std::nullopt;
          return c.ours->verdict_said == "complete" && !c.ours->verdict_right ? 1.0 : 0.0;
        });
    at_rest();
    add("verdict.cannot_tell", "said cannot tell, but one can", Unit::share, [](const Side& side) {
      const auto unsaid = std::ranges::count_if(side.scores, [](const BurstScore* s) {
        return s->verdict_said == "cannot-tell" && !s->verdict_right;
      });
      return share(static_cast<std::size_t>(unsaid), side.scores.size(), side.unchecked());
    });
  }

  /// Bursts without a move or a lost drop, by how wide the widest step truly is.
  void at_rest() {
    const auto add_right = [&](const char* id, const char* label, double low, double high) {
      add(id, label, Unit::share, [&](const Side& side) {
        return share_of(
            side,
            [&](const BurstScore& s) -> std::optional<bool> {
              const double ratio = s.widest_step.value_or(-1.0);
              if (!s.at_rest || ratio < low || ratio >= high) return std::nullopt;
              return s.verdict_right;
            },
            side.absent("no such burst"));
      });
    };
    const auto add_said = [&](const char* id, const char* label, const char* truly,
                              const char* said, auto&& of_ratio) {
      add(id, label, Unit::share, [&](const Side& side) {
        return share_of(
            side,
            [&](const BurstScore& s) -> std::optional<bool> {
              if (!s.at_rest || !s.widest_step || s.verdict_true != truly ||
                  !of_ratio(*s.widest_step))
                return std::nullopt;
              return s.verdict_said == said;
            },
            side.absent("no such burst"));
      });
    };
    constexpr double kMany = 1e9;
    add_right("verdict.rest.below_085", "at rest: widest step below 0.85", 0.0, 0.85);
    add_right("verdict.rest.085_100", "at rest: 0.85 to 1 of the allowed", 0.85, 1.0);
    add_right("verdict.rest.100_115", "at rest: 1 to 1.15", 1.0, 1.15);
    add_right("verdict.rest.above_115", "at rest: above 1.15", 1.15, kMany);
    add_said("verdict.rest.false_reshoot", "0.8 or less, called reshoot", "complete", "reshoot",
             [](double ratio) { return ratio <= 0.8; });
    add_said("verdict.rest.false_complete", "1.3 or more, called complete", "reshoot", "complete",
             [](double ratio) { return ratio >= 1.3; });
    add("verdict.rest.false_warning", "complete, with a false warning", Unit::share,
        [](const Side& side) {
          return share_of(
              side,
              [](const BurstScore& s) -> std::optional<bool> {
                if (!s.at_rest || s.verdict_true != "complete") return std::nullopt;
                return s.false_warning || s.verdict_said != "complete";
              },
              side.absent("no such burst"));
        });
    for (std::size_t i = 0; i + 1 < kSureEdges.size(); ++i) {
      const double low = kSureEdges[i], high = kSureEdges[i + 1];
      add(fmt::format("gap.sure.{:.0f}_{:.0f}", 100.0 * low, 100.0 * std::min(high, 1.0)),
          fmt::format("gaps told with {:.2f} to {:.2f}: are so", low, std::min(high, 1.0)),
          Unit::share, [&](const Side& side) {
            std::size_t n = 0, wide = 0;
            for (const BurstScore* s : side.scores)
              for (const ToldGap& gap : s->told_gaps) {
                if (gap.probability < low || gap.probability >= high) continue;
                ++n;
                wide += gap.wider ? 1U : 0U;
              }
            return share(wide, n, side.absent("none told"));
          });
    }
  }

  void advice_and_time() {
    heading("ring advice and time, bursts");
    const Values turn = [](const BurstScore& s, std::vector<double>& to) {
      if (s.turn) to.push_back(*s.turn - 1.0);
    };
    const Values frames = [](const BurstScore& s, std::vector<double>& to) {
      if (s.same_turn) to.push_back(*s.same_turn - 1.0);
    };
    add_reduced("turn.mean", "turn factor error, mean", Unit::relative, turn, mean, kNone);
    add_reduced("turn.rms", "turn factor error, rms", Unit::relative, turn, rms, kNone,
                [](const Case& c) -> std::optional<double> {
                  if (!c.ours || !c.ours->turn) return std::nullopt;
                  return *c.ours->turn - 1.0;
                });
    add_reduced("turn.worst", "turn factor error, worst", Unit::relative, turn, worst, kNone);
    add_within("turn.within", "turn factor within 10 %", turn, 0.1);
    add_within("same_turn.within", "frames for the same turn within 10 %", frames, 0.1);
    const auto seconds = [](Reduce how) {
      return [how](const Side& side) { return reduce(side.seconds, how, side.unchecked()); };
    };
    add("time.mean_s", "time a burst, mean", Unit::seconds, seconds(mean));
    add("time.largest_s", "time a burst, longest", Unit::seconds, seconds(largest),
        [](const Case& c) { return c.ours ? std::optional(c.seconds) : std::nullopt; });
  }

  std::vector<const Case*> cases_;
  Side ours_, naive_, lens_given_, lens_unknown_;
  std::string part_;
  std::vector<Row> rows_;
};

std::string number_text(double value, Unit unit) {
  switch (unit) {
    case Unit::px:
      return fmt::format("{:.2f} px", value);
    case Unit::sd:
      return fmt::format("{:.2f} sd", value);
    case Unit::relative:
      return fmt::format("{:+.1f} %", 100.0 * value);
    case Unit::share:
      return fmt::format("{:.1f} %", 100.0 * value);
    case Unit::seconds:
      return fmt::format("{:.1f} s", value);
  }
  return {};
}

const char* unit_word(Unit unit) {
  switch (unit) {
    case Unit::px:
      return "px";
    case Unit::sd:
      return "sd";
    case Unit::relative:
      return "relative";
    case Unit::share:
      return "share";
    case Unit::seconds:
      return "s";
  }
  return "";
}

std::string figure_text(const Figure& figure, Unit unit) {
  if (!figure.value) return fmt::format("{:>10}  {}", "-", figure.why);
  const std::string value = fmt::format("{:>10}", number_text(*figure.value, unit));
  if (!figure.interval) return fmt::format("{}  of {}", value, figure.cases);
  return fmt::format("{}  {} of {} ({:.0f}-{:.0f})", value, figure.hits.value_or(0), figure.cases,
                     100.0 * figure.interval->low, 100.0 * figure.interval->high);
}

constexpr const char* kLine = "{:<40}{:<36}{}\n";

std::string trimmed(std::string line) {
  const auto last = line.find_last_not_of(" \n");
  line.resize(last == std::string::npos ? 0 : last + 1);
  return line + "\n";
}

/// The rows under their headings. A heading under which nothing has a value takes one line.
std::string parts_text(const Table& table) {
  std::string text;
  for (auto first = table.rows.begin(); first != table.rows.end();) {
    const auto last =
        std::find_if(first, table.rows.end(), [&](const Row& r) { return r.part != first->part; });
    text += fmt::format("\n{}\n", first->part);
    const bool empty = std::all_of(first, last, [&](const Row& r) {
      return !r.ours.value && !r.naive.value && r.ours.why == first->ours.why;
    });
    const auto end = empty ? first + 1 : last;
    for (auto r = first; r != end; ++r) {
      const std::string label = empty ? "  all figures" : fmt::format("  {}", r->label);
      text += trimmed(
          fmt::format(kLine, label, figure_text(r->ours, r->unit), figure_text(r->naive, r->unit)));
    }
    first = last;
  }
  return text;
}

/// The columns of the table by group: short name and row.
struct GroupColumn {
  const char* name;
  const char* id;
  bool naive = false;
};
constexpr std::array kGroupColumns{
    GroupColumn{"verdict", "verdict.right"},
    GroupColumn{"rms", "position.rms_px"},
    GroupColumn{"shape", "position.shape_rms_px"},
    GroupColumn{"naive", "position.shape_rms_px", true},
    GroupColumn{"holds", "position.holds"},
    GroupColumn{"scale", "scale.mean"},
    GroupColumn{"scale sd", "scale.sd"},
    GroupColumn{"gaps-", "gaps.missed"},
    GroupColumn{"gaps+", "gaps.false"},
    GroupColumn{"ends-", "ends.missed"},
    GroupColumn{"ends+", "ends.false"},
    GroupColumn{"moved-", "moved.missed"},
    GroupColumn{"moved+", "moved.false"},
    GroupColumn{"drops-", "drops.missed"},
    GroupColumn{"drops+", "drops.false"},
};

/// Short: a share as hits/cases.
std::string short_text(const Row& row, bool naive) {
  const Figure& f = naive ? row.naive : row.ours;
  if (!f.value) return "-";
  if (row.unit == Unit::share) {
    return f.cases > 999 ? number_text(*f.value, Unit::share)
                         : fmt::format("{}/{}", f.hits.value_or(0), f.cases);
  }
  std::string text = number_text(*f.value, row.unit);
  return text.substr(0, text.find(" px"));
}

std::string csv_field(const std::string& text) {
  if (text.find_first_of(",\"\n") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) {
    if (c == '"') quoted += '"';
    quoted += c;
  }
  return quoted + "\"";
}

std::string csv_number(const std::optional<double>& value) {
  return value ? fmt::format("{:.6g}", *value) : "";
}

std::string csv_figure(const Figure& f) {
  return fmt::format("{},{},{},{},{},{}", csv_number(f.value), f.cases,
                     f.hits ? fmt::format("{}", *f.hits) : "",
                     f.interval ? csv_number(f.interval->low) : "",
                     f.interval ? csv_number(f.interval->high) : "", csv_field(f.why));
}

json figure_json(const Figure& f) {
  json object = {{"value", f.value ? json(*f.value) : json(nullptr)}, {"cases", f.cases}};
  if (f.hits) object["hits"] = *f.hits;
  if (f.interval) object["interval95"] = {f.interval->low, f.interval->high};
  if (!f.why.empty()) object["why"] = f.why;
  return object;
}

}  // namespace

Interval wilson95(std::size_t hits, std::size_t n) {
  if (n == 0 || hits > n)
    throw std::invalid_argument("wilson95: no cases, or more hits than cases");
  constexpr double z = 1.959963984540054;  // normal quantile at 0.975
  const auto cases = static_cast<double>(n);
  const double p = static_cast<double>(hits) / cases;
  const double spread = 1.0 + z * z / cases;
  const double centre = (p + z * z / (2.0 * cases)) / spread;
  const double half = z * std::sqrt(p * (1.0 - p) / cases + z * z / (4.0 * cases * cases)) / spread;
  // At 0 and n of n an end is exactly 0 or 1; rounding may pass it.
  return {.low = std::max(0.0, centre - half), .high = std::min(1.0, centre + half)};
}

Table make_table(std::span<const Case> cases, const std::string& group) {
  Table table{.group = group};
  std::vector<const Case*> taken;
  for (const Case& c : cases) {
    if (!group.empty() && c.group != group) continue;
    taken.push_back(&c);
    if (!c.failed.empty()) table.failed.push_back(c.name + ": " + c.failed);
  }
  table.bursts = taken.size();
  table.rows = Rows(std::move(taken)).all();
  return table;
}

std::vector<Table> make_tables(std::span<const Case> cases) {
  std::vector<Table> tables{make_table(cases)};
  std::set<std::string> seen;
  for (const Case& c : cases) {
    if (!c.group.empty() && seen.insert(c.group).second) {
      tables.push_back(make_table(cases, c.group));
    }
  }
  return tables;
}

const Row& row(const Table& table, const std::string& id) {
  const auto found = std::ranges::find(table.rows, id, &Row::id);
  if (found == table.rows.end()) throw std::out_of_range("no row " + id);
  return *found;
}

std::string table_text(std::span<const Table> tables, const std::string& head) {
  const Table& all = tables.front();
  std::string text =
      fmt::format("{}; {} bursts, {} without an answer\n\n", head, all.bursts, all.failed.size());
  text += trimmed(fmt::format(kLine, "figure", "      ours", "     naive"));
  text += parts_text(all);
  text +=
      "\nvalue, then: of how many, or hits of how many (95 % interval of the share, %, by Wilson)\n"
      "naive: variance of the Laplacian a tile, peak frame; equal ring steps, the step taken from\n"
      "the truth; a gap is where frames between peaks hold none\n";
  text += "\nworst bursts\n";
  for (const Row& r : all.rows) {
    if (r.worst.empty()) continue;
    std::string names;
    for (const NamedValue& w : r.worst) {
      if (!names.empty()) names += ", ";
      names += w.name;
      if (r.id.starts_with("verdict")) continue;
      names += ' ';
      names +=
          r.unit == Unit::share ? fmt::format("{:.0f}", w.value) : number_text(w.value, r.unit);
    }
    text += fmt::format("  {:<38}{}\n", r.label, names);
  }
  if (tables.size() > 1) {
    text += fmt::format("\n{:<12}{:>7}", "by group", "bursts");
    for (const GroupColumn& column : kGroupColumns) text += fmt::format("{:>9}", column.name);
    text += "\n";
    for (const Table& table : tables.subspan(1)) {
      text += fmt::format("{:<12}{:>7}", table.group, table.bursts);
      for (const GroupColumn& column : kGroupColumns) {
        text += fmt::format("{:>9}", short_text(row(table, column.id), column.naive));
      }
      text += "\n";
    }
    text +=
        "- missed of due, + false of told, rms and shape in px, naive its shape, "
        "scale the mean error\n";
  }
  for (const std::string& f : all.failed) text += fmt::format("failed: {}\n", f);
  return text;
}

json table_json(std::span<const Table> tables, const std::string& head) {
  json list = json::array();
  for (const Table& table : tables) {
    json rows = json::object();
    for (const Row& r : table.rows) {
      json worst_list = json::array();
      for (const NamedValue& w : r.worst)
        worst_list.push_back({{"burst", w.name}, {"value", w.value}});
      rows[r.id] = {{"label", r.label},
                    {"part", r.part},
                    {"unit", unit_word(r.unit)},
                    {"ours", figure_json(r.ours)},
                    {"naive", figure_json(r.naive)},
                    {"worst", worst_list}};
    }
    list.push_back({{"group", table.group.empty() ? json(nullptr) : json(table.group)},
                    {"bursts", table.bursts},
                    {"failed", table.failed},
                    {"rows", rows}});
  }
  return {{"format", "ringsweep-accuracy"}, {"version", 1}, {"head", head}, {"tables", list}};
}

std::string table_csv(std::span<const Table> tables) {
  std::string text = "group,figure,unit";
  for (const char* side : {"ours", "naive"}) {
    for (const char* field : {"", "_cases", "_hits", "_low95", "_high95", "_why"}) {
      text += fmt::format(",{}{}", side, field);
    }
  }
  text += "\n";
  for (const Table& table : tables) {
    for (const Row& r : table.rows) {
      text += fmt::format("{},{},{},{},{}\n", csv_field(table.group.empty() ? "all" : table.group),
                          r.id, unit_word(r.unit), csv_figure(r.ours), csv_figure(r.naive));
    }
  }
  return text;
}

std::string bursts_csv(std::span<const Case> cases) {
  std::string text =
      "burst,group,failed,verdict_true,verdict_said,verdict_right,split_into,used,due,rms_px,"
      "shape_px,scale,scale_holds,sign_right,cover,gap_width_error";
  for (const char* kind : {"gaps", "ends", "dark", "dim", "shaken", "moved", "drops", "when"}) {
    text += fmt::format(",{0}_found,{0}_due,{0}_false", kind);
  }
  text +=
      ",turn,same_turn,widest_step,at_rest,false_warning,seconds,naive_verdict,naive_shape_px,"
      "naive_gaps_found,naive_gaps_false\n";
  const auto yes = [](const std::optional<bool>& b) { return b ? (*b ? "1" : "0") : ""; };
  for (const Case& c : cases) {
    const BurstScore s = c.ours.value_or(BurstScore{});
    const bool scored = c.ours.has_value();
    text += fmt::format("{},{},{},{},{},{},", csv_field(c.name), csv_field(c.group),
                        csv_field(c.failed), c.verdict_true, s.verdict_said,
                        scored ? yes(s.verdict_right) : "0");
    if (scored)
      text += fmt::format("{},{},{}", s.split_into, s.used.found, s.used.due);
    else
      text += ",,";
    text +=
        fmt::format(",{},{},{},{},{},{},{}", csv_number(s.rms_px), csv_number(s.shape_px),
                    csv_number(s.scale), yes(s.scale_holds), yes(s.sign_right), csv_number(s.cover),
                    s.gap_width_errors.empty() ? "" : csv_number(worst(s.gap_width_errors)));
    const std::array<std::optional<Count>, 8> counts{scored ? std::optional(s.gaps) : std::nullopt,
                                                     s.ends,
                                                     s.dark,
                                                     s.dim,
                                                     s.shaken,
                                                     s.moved,
                                                     s.drops,
                                                     s.when};
    for (const auto& count : counts) {
      text += count ? fmt::format(",{},{},{}", count->found, count->due, count->wrong) : ",,,";
    }
    text += fmt::format(",{},{},{},{},{},{}", csv_number(s.turn), csv_number(s.same_turn),
                        csv_number(s.widest_step), scored ? yes(s.at_rest) : "",
                        scored ? yes(s.false_warning) : "", scored ? csv_number(c.seconds) : "");
    if (c.naive) {
      text += fmt::format(",{},{},{},{}\n", c.naive->verdict_said, csv_number(c.naive->shape_px),
                          c.naive->gaps.found, c.naive->gaps.wrong);
    } else {
      text += ",,,,\n";
    }
  }
  return text;
}

}  // namespace ringsweep::accuracy
