#include "app/analysis.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <exception>
#include <iterator>
#include <map>
#include <new>
#include <ostream>
#include <set>
#include <system_error>
#include <utility>

#include "app/interrupt.h"
#include "app/progress.h"
#include "report/wording.h"
#include "ringsweep/exposure.h"
#include "ringsweep/registration.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

/// What is too short to be a sweep, and why some of it cannot be read at all.
struct LeftOut {
  std::size_t frames = 0;
  bool all_single = true;
};

std::string left_out_line(const LeftOut& left_out) {
  if (left_out.frames == 0) return {};
  if (left_out.all_single) {
    return fmt::format("Left out: {} single frame{}.\n", left_out.frames,
                       left_out.frames == 1 ? "" : "s");
  }
  return fmt::format("Left out: {} frames, fewer than {} at a time.\n", left_out.frames,
                     kFewestFrames);
}

std::string count_of(std::size_t count, const char* what) {
  return fmt::format("{} {}{}", count, what, count == 1 ? "" : "s");
}

/// Tells which bursts have pictures that were named one by one.
std::function<bool(const Burst&)> named_by(const AnalysisRequest& request) {
  std::set<fs::path> named;
  std::error_code failed;
  for (const fs::path& path : request.paths)
    if (fs::is_regular_file(path, failed)) named.insert(fs::weakly_canonical(path, failed));
  return [named](const Burst& burst) {
    std::error_code ignored;
    return !named.empty() && std::ranges::any_of(burst.frames, [&](const FrameRef& frame) {
      return named.contains(fs::weakly_canonical(frame.path, ignored));
    });
  };
}

/// The cards of bursts that were not named picture by picture.
CardOf cards_of(const std::function<bool(const Burst&)>& is_named, const Stages& stages) {
  return [&is_named, &stages, cards = std::map<fs::path, std::optional<fs::path>>()](
             const Burst& burst) mutable -> std::optional<fs::path> {
    if (is_named(burst)) return std::nullopt;
    const fs::path folder = fs::path(burst.frames.front().path).parent_path();
    const auto known = cards.find(folder);
    if (known != cards.end()) return known->second;
    return cards[folder] = stages.roots.card(folder);
  };
}

/// What the small picture in a file shows, as far as the next one is compared with it.
struct Glance {
  Thumbnail thumbnail;
  double light = 0.0;   // mean, linear
  double detail = 0.0;  // sd of the logarithm at the coarsest level
};

std::optional<Glance> glance_at(const FrameRef& frame, const Stages& stages) {
  const auto picture = stages.thumbnail(frame);
  if (!picture) return std::nullopt;
  Glance glance{.thumbnail = make_thumbnail(picture->luminance)};
  glance.light = cv::mean(picture->luminance)[0];
  cv::Scalar mean, sd;
  cv::meanStdDev(glance.thumbnail.levels.back(), mean, sd);
  glance.detail = sd[0];
  return glance;
}

/// Whether, by the small pictures in the files, most frames show something else than the one
/// before: no sweep, whatever it is. A picture without light, or with nothing in it, tells nothing:
/// in a sweep the flash may miss. Nor is anything known where few pairs are left.
bool each_shows_something_else(const Burst& burst, const Stages& stages) {
  // Ours, no source: a dozen pairs tell, in a moment; four are all of the shortest burst.
  constexpr std::size_t kMostPairs = 12;
  constexpr std::size_t kFewestPairs = 4;
  constexpr double kLeastDetail = 0.02;  // a fiftieth of the light: ours, no source
  const std::size_t pairs = burst.frames.size() - 1;
  const std::size_t step = (pairs + kMostPairs - 1) / kMostPairs;
  std::vector<std::pair<Glance, Glance>> seen;
  double brightest = 0.0;
  for (std::size_t k = 0; k < pairs; k += step) {
    auto a = glance_at(burst.frames[k], stages);
    auto b = glance_at(burst.frames[k + 1], stages);
    if (!a || !b) continue;
    brightest = std::max({brightest, a->light, b->light});
    seen.emplace_back(std::move(*a), std::move(*b));
  }
  const double least_light = brightest * std::exp2(ExposureOptions{}.dark_ev);
  std::erase_if(seen, [&](const auto& pair) {
    return std::min(pair.first.light, pair.second.light) < least_light ||
           std::min(pair.first.detail, pair.second.detail) < kLeastDetail;
  });
  const auto other = std::ranges::count_if(seen, [](const auto& pair) {
    return alike(pair.first.thumbnail, pair.second.thumbnail) == Alike::no;
  });
  return seen.size() >= kFewestPairs && 2 * static_cast<std::size_t>(other) > seen.size();
}

/// "1201 to 1207": its frames as a report names them.
std::string first_to_last(const Burst& burst) {
  BurstAnalysis named;
  for (const FrameRef& frame : burst.frames) named.frames.emplace_back().file = frame.file;
  const std::vector<std::string> labels = wording::frame_labels(named);
  return fmt::format("{} to {}", labels.front(), labels.back());
}

/// Opens frames that belong to no burst only to say which of them are damaged: a file that cannot
/// be read must not pass for one that was merely alone.
std::size_t name_unreadable(const std::vector<Burst>& too_short, const Console& console,
                            const Stages& stages) {
  constexpr std::size_t kMost =
      50;                        // a card full of single pictures must not cost the burst's time
  constexpr int kReduction = 8;  // the fastest way to see whether a picture can be decoded
  std::size_t opened = 0;
  std::size_t unreadable = 0;
  for (const Burst& burst : too_short) {
    for (const FrameRef& frame : burst.frames) {
      if (++opened > kMost || InterruptGuard::interrupted()) return unreadable;
      const auto picture = stages.decode(frame, {.reduction = kReduction});
      if (picture) continue;
      print_error(console, picture.error());
      ++unreadable;
    }
  }
  return unreadable;
}

std::optional<cv::Size> full_size_of(const Burst& burst, const Stages& stages) {
  for (const FrameRef& frame : burst.frames) {
    if (frame.full_size) return frame.full_size;
  }
  constexpr int kReduction = 8;
  for (const FrameRef& frame : burst.frames) {
    if (const auto picture = stages.decode(frame, {.reduction = kReduction})) {
      return picture->full_size;
    }
  }
  return std::nullopt;
}

/// Whether a burst is known to be of icons: no step has to reckon with those. A small picture among
/// large ones is a frame of another size, and stays.
bool all_tiny(const Burst& burst) {
  constexpr int kFewestPx = 64;  // a side: less than three tiles of any grid; ours, no source
  return std::ranges::all_of(burst.frames, [](const FrameRef& frame) {
    return frame.file_size && std::min(frame.file_size->width, frame.file_size->height) < kFewestPx;
  });
}

Error too_small(const FrameRef& frame) {
  return {.file = frame.file,
          .problem = fmt::format("the picture is only {} by {} dots, an icon",
                                 frame.file_size->width, frame.file_size->height),
          .remedy = "use the full-size file"};
}

AnalysisOptions analysis_options(const AnalysisRequest& request, const Burst& burst,
                                 const Stages& stages) {
  AnalysisOptions result;
  result.threads = request.threads;
  result.memory_bytes = request.memory_bytes;
  result.blur_limit_px = request.blur_limit_px;
  result.lens = request.lens;
  result.subject = request.subject;
  result.first_end = request.first_end;
  result.ignore_drops = request.ignore_drops;
  result.larger_picture = request.larger_picture;
  if (request.blur_limit_handbook) {
    if (const auto size = full_size_of(burst, stages)) {
      result.blur_limit_px = handbook_blur_limit_px(*size);
    }
  }
  return result;
}

/// The frames of an analysed burst among those that were given to the analysis: it may have parted
/// them, and keeps their order.
std::vector<std::optional<FrameRef>> files_of_part(const BurstAnalysis& part, const Burst& whole,
                                                   std::size_t& next) {
  std::vector<std::optional<FrameRef>> files;
  std::size_t at = next;
  for (const FrameAnalysis& frame : part.frames) {
    std::size_t found = at;
    while (found < whole.frames.size() && whole.frames[found].file != frame.file) ++found;
    if (found == whole.frames.size()) {
      files.emplace_back();
      continue;
    }
    files.emplace_back(whole.frames[found]);
    at = found + 1;
  }
  next = at;
  return files;
}

/// Frames of several bursts as one burst, in their order. @param bursts at least one
Burst joined(std::span<const Burst> bursts) {
  Burst whole{.folder = bursts.front().folder, .frames = {}};
  for (const Burst& burst : bursts)
    whole.frames.insert(whole.frames.end(), burst.frames.begin(), burst.frames.end());
  return whole;
}

}  // namespace

void print_error(const Console& console, const Error& error) {
  *console.err << "ringsweep: " << wording::printable(one_line(error)) << "\n";
}

bool use_mounted_card(AnalysisRequest& request, const std::string& command, const Console& console,
                      const Stages& stages) {
  const auto say = [&](const std::string& line) { *console.err << "ringsweep: " << line << "\n"; };
  if (!request.paths.empty()) {
    if (!request.card) return true;
    say("--card chooses among the cards that are in; leave it away where you name a path.");
    return false;
  }
  const std::vector<fs::path> cards = stages.mounted_cards();
  const auto shown = [](const fs::path& card) { return wording::printable(card.string()); };
  if (cards.empty()) {
    say(fmt::format(
        "no card was found: put it in and open it in the file manager, or name its folder, for "
        "example `ringsweep {} /media/card`.",
        command));
    return false;
  }
  if (request.card.value_or(1) > cards.size() || (cards.size() > 1 && !request.card)) {
    say(fmt::format("{} in; choose by number, for example `ringsweep {} --card 1`:",
                    cards.size() == 1 ? "1 card is" : fmt::format("{} cards are", cards.size()),
                    command));
    for (std::size_t i = 0; i < cards.size(); ++i)
      *console.err << fmt::format("  {}  {}\n", i + 1, shown(cards[i]));
    return false;
  }
  request.paths = {cards[request.card.value_or(1) - 1]};
  say(fmt::format("the card is {}.", shown(request.paths.front())));
  return true;
}

bool is_unreadable(const FrameAnalysis& frame) {
  return std::ranges::find(frame.flags, FrameFlag::unreadable) != frame.flags.end();
}

std::vector<FrameRef> take_what_is_said(std::vector<Burst>& bursts,
                                        const AnalysisRequest& request) {
  std::vector<FrameRef> misfits;
  for (Burst& burst : bursts) {
    const FrameRef* misfit = nullptr;
    for (FrameRef& frame : burst.frames) {
      frame.raw_picture = request.raw_picture;
      if (request.full_size && !take_full_size(frame, *request.full_size, FullSizeFrom::user))
        misfit = &frame;
    }
    if (misfit != nullptr) misfits.push_back(*misfit);
  }
  return misfits;
}

FoundBursts find_whole_bursts(const AnalysisRequest& request, const Console& console,
                              const Stages& stages) {
  Intake intake = stages.find_bursts(request.paths, {.prefer_raw = request.prefer_raw});
  for (Burst& burst : intake.bursts) {
    std::erase_if(burst.frames, [](const FrameRef& frame) { return is_from_report(frame.path); });
  }
  std::erase_if(intake.bursts, [](const Burst& burst) { return burst.frames.empty(); });
  for (const Error& problem : intake.problems) print_error(console, problem);
  for (const FrameRef& misfit : take_what_is_said(intake.bursts, request))
    print_error(console,
                {.file = misfit.file,
                 .problem = fmt::format("{} x {} is larger than --full-size, or of another shape",
                                        misfit.file_size->width, misfit.file_size->height),
                 .remedy = "say the size of the camera's picture"});
  FoundBursts found;
  found.twins = std::move(intake.twins);
  const auto is_named = named_by(request);
  BurstChoice choice = request.choice;
  if (request.as_one && !choice.last && !choice.since) choice.all = true;
  ChosenBursts chosen = choose_bursts(std::move(intake.bursts), choice, cards_of(is_named, stages));
  if (request.as_one && !chosen.bursts.empty()) chosen.bursts = {joined(chosen.bursts)};
  std::vector<Burst> too_short;
  LeftOut left_out;
  std::string series;
  for (const Burst& burst : chosen.bursts) {
    if (burst.frames.size() >= kFewestFrames) {
      if (request.as_one || is_named(burst) || !each_shows_something_else(burst, stages)) {
        found.bursts.push_back(burst);
      } else {
        ++found.series;
        series += fmt::format(
            "Left out: {}: most pictures show something else. Name those pictures to have them "
            "checked.\n",
            first_to_last(burst));
      }
      continue;
    }
    too_short.push_back(burst);
    left_out.frames += burst.frames.size();
    left_out.all_single &= burst.frames.size() == 1;
  }
  name_unreadable(too_short, console, stages);
  found.older = chosen.older;
  found.left_out = left_out_line(left_out) + series;
  if (found.older > 0)
    found.left_out +=
        fmt::format("Left out: {}; --all takes all.\n", count_of(found.older, "older burst"));
  return found;
}

void tell_nothing_found(const FoundBursts& found, const Console& console) {
  std::vector<std::string> reasons;
  if (found.older > 0)
    reasons.push_back(
        fmt::format("{} (add --all to look at all)",
                    found.older == 1 ? "1 is older" : fmt::format("{} are older", found.older)));
  if (found.series > 0)
    reasons.push_back(
        fmt::format("most pictures of {} show something else (name the pictures to have them "
                    "checked)",
                    count_of(found.series, "burst")));
  if (reasons.empty()) {
    *console.err << "ringsweep: no burst of at least " << kFewestFrames
                 << " pictures was found; give the card, or the folder the burst lies in.\n";
  } else {
    *console.err << "ringsweep: all bursts were left out: " << wording::joined(reasons) << ".\n";
  }
}

Analysed analyse_all(std::span<const Burst> bursts, const AnalysisRequest& request,
                     const Console& console, const Stages& stages, Counting counting,
                     const OnBurst& on_burst) {
  Analysed result;
  ProgressLine line(console);
  std::size_t frames = 0, before = 0;  // in all, and in the bursts that are finished
  for (const Burst& burst : bursts) frames += burst.frames.size();
  const auto begin = std::chrono::steady_clock::now();
  std::vector<Analysed> parts(bursts.size());
  for (std::size_t i = bursts.size(); i-- > 0 && !InterruptGuard::interrupted();) {
    Analysed& part = parts[i];
    const ReadFrame read = [&, tiny = all_tiny(bursts[i])](const FrameRef& frame,
                                                           int reduction) -> Result<LinearFrame> {
      if (tiny) return tl::unexpected(too_small(frame));
      return stages.decode(frame, {.reduction = reduction});
    };
    const Progress progress = [&](const char* stage, std::size_t done, std::size_t total) {
      const std::chrono::duration<double> elapsed = std::chrono::steady_clock::now() - begin;
      const double share =
          (static_cast<double>(before) +
           share_done(stage, done, total) * static_cast<double>(bursts[i].frames.size())) /
          static_cast<double>(frames);
      line.show(fmt::format("Burst {} of {}: {} {} of {}{}", counting.first + bursts.size() - i,
                            counting.of > 0 ? counting.of : bursts.size(), stage, done, total,
                            time_left(share, elapsed.count())));
      return !InterruptGuard::interrupted();
    };
    const AnalysisOptions options = analysis_options(request, bursts[i], stages);
    std::size_t next = 0;
    try {
      for (BurstAnalysis& burst :
           stages.cache ? analyse_or_find(*stages.cache, bursts[i], read, options, progress)
                        : stages.analyse(bursts[i], read, options, progress)) {
        part.files.push_back(files_of_part(burst, bursts[i], next));
        part.bursts.push_back(std::move(burst));
      }
    } catch (const std::bad_alloc&) {
      throw;
    } catch (const std::exception& error) {
      line.clear();
      print_error(console, {.file = bursts[i].folder,
                            .problem = fmt::format("could not be analysed ({})", error.what()),
                            .remedy = "look at its pictures yourself"});
      result.failed = true;
    }
    before += bursts[i].frames.size();
    if (!on_burst || part.bursts.empty() || InterruptGuard::interrupted()) continue;
    line.clear();
    on_burst(part);
  }
  for (Analysed& part : parts) {
    std::ranges::move(part.files, std::back_inserter(result.files));
    std::ranges::move(part.bursts, std::back_inserter(result.bursts));
  }
  return result;
}

void name_unreadable(const BurstAnalysis& burst, const Console& console) {
  for (const FrameAnalysis& frame : burst.frames) {
    if (!is_unreadable(frame)) continue;
    const std::string problem = wording::printable(frame.problem);
    const std::string file = wording::printable(frame.file);
    if (problem.starts_with(file)) {
      *console.err << "ringsweep: " << problem << "\n";
    } else {
      *console.err << "ringsweep: " << file << ": "
                   << (problem.empty() ? "cannot be read." : problem) << "\n";
    }
  }
}

Stages with_cache_if_allowed(Stages stages, const AnalysisRequest& request,
                             const Console& console) {
  if (!stages.cache) return stages;
  if (request.no_cache) {
    stages.cache.reset();
  } else if (auto why = why_not_there(stages.cache->folder(), request.paths, stages.roots)) {
    why->remedy =
        "measured without a cache; name a folder elsewhere in XDG_CACHE_HOME, or say --no-cache";
    print_error(console, *why);
    stages.cache.reset();
  }
  return stages;
}

Stages real_stages() {
  const std::optional<fs::path> cache = cache_folder();
  return {.find_bursts = find_bursts,
          .decode = decode,
          .view = decode_view,
          .analyse = ringsweep::analyse,
          .thumbnail = decode_thumbnail,
          .roots = {.card = card_root,
                    .removable =
                        [](const std::filesystem::path& path) { return removable_root(path); }},
          .free_bytes = [](const fs::path& folder) -> std::optional<std::uintmax_t> {
            std::error_code failed;
            const fs::space_info space = fs::space(folder, failed);
            return failed ? std::nullopt : std::optional(space.available);
          },
          .mounted_cards = [] { return mounted_cards(); },
          .decode_along = decode_along,
          .cache = cache ? std::make_shared<const Cache>(*cache) : nullptr};
}

}  // namespace ringsweep::app
