#include "app/watch.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <iterator>
#include <map>
#include <ostream>
#include <set>
#include <span>
#include <sstream>
#include <string>
#include <thread>
#include <utility>
#include <vector>

#include "app/arrived_frames.h"
#include "app/exit_status.h"
#include "app/folder_events.h"
#include "app/interrupt.h"
#include "app/output_place.h"
#include "app/page_pictures.h"
#include "app/scene_check.h"
#include "app/told.h"
#include "report/wording.h"
#include "ringsweep/page.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

double now_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

/// A burst that was checked.
struct Told {
  std::vector<std::string> paths;  ///< of its frames
  Analysed analysed;               ///< of this burst alone; several where it was parted
  std::vector<BurstPictures> pictures;
};

/// Files below a folder that may be a part of what arrives next: what was last written to within an
/// hour before the youngest.
std::set<fs::path> recent_files(const fs::path& folder) {
  using std::chrono::hours;
  std::vector<std::pair<fs::file_time_type, fs::path>> files;
  std::error_code failed;
  for (auto it = fs::recursive_directory_iterator(
           folder, fs::directory_options::skip_permission_denied, failed);
       !failed && it != fs::recursive_directory_iterator(); it.increment(failed)) {
    std::error_code gone;
    if (it->path().filename().string().starts_with('.')) {
      it.disable_recursion_pending();
    } else if (it->is_regular_file(gone)) {
      files.emplace_back(it->last_write_time(gone), it->path());
    }
  }
  std::set<fs::path> recent;
  if (files.empty()) return recent;
  const fs::file_time_type youngest = std::ranges::max(files).first;
  for (const auto& [time, file] : files)
    if (youngest - time <= hours(1)) recent.insert(file);
  return recent;
}

/// Name, size and time of change of its files: another burst, if one of them has changed.
std::string state_of(const Burst& burst) {
  std::string state;
  for (const FrameRef& frame : burst.frames) {
    std::error_code failed;
    state += fmt::format("{}\n{} {}\n", frame.path, fs::file_size(frame.path, failed),
                         fs::last_write_time(frame.path, failed).time_since_epoch().count());
  }
  return state;
}

class Watching {
 public:
  Watching(const WatchOptions& options, const Console& console, const Stages& stages,
           FolderEvents events, ReportPlace& place, InterruptGuard& guard)
      : options_(options),
        console_(console),
        stages_(stages),
        place_(place),
        guard_(guard),
        events_(std::move(events)),
        arrivals_(options.arrival),
        frames_(stages.decode, options.memory_bytes / 2),
        pool_(recent_files(events_.folder())),
        there_before_(pool_) {
    stages_.decode = [this](const FrameRef& frame, const DecodeOptions& decode) {
      return frames_.read(frame, decode);
    };
  }

  int run() {
    constexpr int kTickMs = 200;  // a signal is heeded within that
    ProgressLine line(console_);
    while (!InterruptGuard::interrupted()) {
      for (const FolderEvent& event : events_.next(kTickMs)) take(event);
      fetch(arrivals_.take_ready(now_s()));
      if (arrivals_.take_pause(now_s())) {
        line.clear();
        check_new();
      }
      if (events_.over()) {
        line.clear();
        print_error(console_, {.file = options_.paths.front().string(),
                               .problem = "is gone",
                               .remedy = "start again once it is back"});
        return status();
      }
      line.show(fmt::format(
          "Waiting for pictures; {} came{}", came_,
          arrivals_.waiting() > 0 ? fmt::format(", {} on the way", arrivals_.waiting()) : ""));
    }
    return kStopped;
  }

 private:
  void take(const FolderEvent& event) {
    switch (event.kind) {
      case FolderEvent::Kind::written:
        arrivals_.written(event.file, now_s());
        break;
      case FolderEvent::Kind::closed:
        arrivals_.closed(event.file, now_s());
        break;
      case FolderEvent::Kind::gone:
        pool_.erase(event.file);
        arrivals_.gone(event.file, now_s());
        break;
    }
  }

  /// Decodes what has come, and puts it into the pool.
  void fetch(const std::vector<ReadyFile>& ready) {
    std::map<fs::path, bool> as_it_is;
    std::vector<fs::path> files;
    for (const ReadyFile& file : ready) {
      as_it_is[file.file] = file.as_it_is;
      files.push_back(file.file);
      pool_.insert(file.file);
      there_before_.erase(file.file);
    }
    if (files.empty()) return;
    Intake intake = stages_.find_bursts(files, {.prefer_raw = options_.prefer_raw});
    take_what_is_said(intake.bursts, options_);  // find() says what does not fit
    const MeasureOptions measuring =
        measure_options({.blur_limit_px = options_.blur_limit_px, .lens = options_.lens});
    for (const Burst& burst : intake.bursts)
      for (const FrameRef& frame : burst.frames) {
        if (InterruptGuard::interrupted()) return;
        const Result<void> whole = frames_.fetch(frame, measuring);
        if (!whole && !as_it_is[frame.path]) {
          arrivals_.not_whole(frame.path);
          pool_.erase(frame.path);
        } else {
          ++came_;
        }
      }
  }

  /// Bursts of the pool, what is wrong with single files said once.
  FoundBursts find() {
    Stages pooled = stages_;
    pooled.find_bursts = [this](std::span<const fs::path>, const IntakeOptions& intake) {
      return stages_.find_bursts(std::vector<fs::path>(pool_.begin(), pool_.end()), intake);
    };
    WatchOptions all = options_;
    all.choice.all = true;
    std::ostringstream said;
    Console quiet{.out = console_.out, .err = &said};
    FoundBursts found = find_whole_bursts(all, quiet, pooled);
    std::istringstream lines(said.str());
    for (std::string line; std::getline(lines, line);)
      if (said_.insert(line).second) *console_.err << line << "\n";
    return found;
  }

  /// Whether some of it came since the watch began.
  bool is_new(const Burst& burst) const {
    return std::ranges::any_of(
        burst.frames, [&](const FrameRef& frame) { return !there_before_.contains(frame.path); });
  }

  void check_new() {
    bool any = false;
    const FoundBursts found = find();
    for (const Burst& burst : found.bursts) {
      if (InterruptGuard::interrupted()) return;
      if (!is_new(burst) || !checked_.insert(state_of(burst)).second) continue;
      Told told;
      for (const FrameRef& frame : burst.frames) told.paths.push_back(frame.path);
      told.analysed = analyse_all(std::span(&burst, 1), options_, console_, stages_);
      if (InterruptGuard::interrupted()) return;
      if (told.analysed.bursts.empty()) continue;
      tell(told);
      told.pictures = take_pictures(told.analysed, options_, console_, stages_);
      remember(std::move(told));
      any = true;
    }
    if (any && !InterruptGuard::interrupted()) write();
  }

  /// Where the burst that came last is not complete, but its scene is now.
  void tell_scene(const std::vector<BurstAnalysis>& bursts) const {
    const auto scene = std::ranges::find_if(
        scenes_, [&](const Scene& s) { return s.whole && s.bursts.back() + 1 == bursts.size(); });
    if (scene == scenes_.end() || newest_ != told_.back().paths) return;
    *console_.out << newest_line(bursts, scenes_) << std::flush;
    if (options_.bell) ring(scene->verdict);
  }

  void tell(const Told& told) {
    for (const BurstAnalysis& burst : told.analysed.bursts) {
      name_unreadable(burst, console_);
      if (any_told_ && !options_.quiet) *console_.out << "\n";
      any_told_ = true;
      print_burst(burst,
                  {.details = options_.details,
                   .quiet = options_.quiet,
                   .name_folder = false,
                   .colour = console_.colour_out},
                  *console_.out);
    }
    *console_.out << std::flush;
    if (options_.bell) ring(told.analysed.bursts.back().verdict.kind);
  }

  void ring(VerdictKind kind) const {
    constexpr std::chrono::milliseconds kApart(400);
    const int tones = is_complete(kind) ? 1 : kind == VerdictKind::reshoot ? 2 : 3;
    for (int i = 0; i < tones; ++i) {
      if (i > 0) std::this_thread::sleep_for(kApart);
      *console_.err << '\a' << std::flush;
    }
  }

  /// In place of what it has grown from.
  void remember(Told told) {
    const std::set<std::string> paths(told.paths.begin(), told.paths.end());
    std::erase_if(told_, [&](const Told& before) {
      return std::ranges::any_of(before.paths,
                                 [&](const std::string& path) { return paths.contains(path); });
    });
    told_.push_back(std::move(told));
    newest_ = told_.back().paths;
    std::ranges::stable_sort(
        told_, {}, [](const Told& t) { return t.analysed.bursts.front().start_s.value_or(0.0); });
  }

  [[nodiscard]] Analysed all() const {
    Analysed all;
    for (const Told& told : told_) {
      std::ranges::copy(told.analysed.bursts, std::back_inserter(all.bursts));
      std::ranges::copy(told.analysed.files, std::back_inserter(all.files));
    }
    return all;
  }

  void write() {
    const Analysed analysed = all();
    scenes_ = check_scenes(analysed, options_, console_, stages_);
    if (InterruptGuard::interrupted()) return;
    const Analysed shown = with_wholes(analysed, scenes_);
    std::size_t frames = 0;
    for (const BurstAnalysis& burst : shown.bursts) frames += burst.frames.size();
    std::vector<BurstPictures> pictures;
    for (const Told& told : told_)
      for (std::size_t i = 0; i < told.pictures.size(); ++i)
        pictures.push_back(as_one_of(told.pictures[i], told.analysed.bursts[i].frames.size(),
                                     frames, shown.bursts.size()));
    take_pictures_of_wholes(shown, pictures);
    const PageRun run{.paths = words_for_stacklist(options_), .left_out = {}};
    Files files = report_files(analysed.bursts, scenes_, run, std::move(pictures));
    files.emplace_back("latest.html", latest_page(run));
    guard_.begin_writing();
    const Result<void> written = place_.write(files);
    guard_.end_writing();
    if (!written) print_error(console_, written.error());
    tell_scene(analysed.bursts);
  }

  /// Of what `shown` holds beyond the bursts that there are pictures of.
  void take_pictures_of_wholes(const Analysed& shown, std::vector<BurstPictures>& pictures) const {
    const auto beyond = static_cast<std::ptrdiff_t>(pictures.size());
    const Analysed wholes{.bursts = {shown.bursts.begin() + beyond, shown.bursts.end()},
                          .files = {shown.files.begin() + beyond, shown.files.end()}};
    if (!wholes.bursts.empty())
      std::ranges::move(take_pictures(wholes, options_, console_, stages_),
                        std::back_inserter(pictures));
  }

  /// The newest burst alone, small enough for a slow way to a phone.
  [[nodiscard]] std::string latest_page(const PageRun& run) const {
    constexpr std::size_t kMostBytes = 1'000'000;
    const auto newest = std::ranges::find(told_, newest_, &Told::paths);
    const std::vector<BurstAnalysis>& bursts = newest->analysed.bursts;
    const std::vector<Scene> scenes = group_scenes(bursts);
    std::string page;
    for (const double factor : {0.7, 0.5, 0.35, 0.25, 0.15}) {
      std::vector<BurstPictures> pictures;
      for (const BurstPictures& whole : newest->pictures) pictures.push_back(shrunk(whole, factor));
      page = page_of(bursts, scenes, run, std::move(pictures));
      if (page.size() <= kMostBytes) return page;
    }
    std::vector<BurstPictures> none;
    for (const BurstPictures& whole : newest->pictures)
      none.push_back(no_pictures(whole.frames.size(), whole.proofs.size()));
    return page_of(bursts, scenes, run, std::move(none));
  }

  /// As `check` ends.
  [[nodiscard]] int status() const {
    if (told_.empty()) return kNothingFound;
    return std::ranges::all_of(scenes_, [](const Scene& s) { return is_complete(s.verdict); })
               ? kComplete
               : kNotComplete;
  }

  const WatchOptions& options_;
  const Console& console_;
  Stages stages_;
  ReportPlace& place_;
  InterruptGuard& guard_;
  FolderEvents events_;
  Arrivals arrivals_;
  ArrivedFrames frames_;
  std::set<fs::path> pool_;          ///< files that bursts are found among
  std::set<fs::path> there_before_;  ///< those of them that were there, and have not changed
  std::set<std::string> said_;       ///< lines about single files
  std::set<std::string> checked_;    ///< state_of() bursts
  std::vector<Told> told_;           ///< by the time of their first frame
  std::vector<std::string> newest_;  ///< paths of the burst that was told last
  std::vector<Scene> scenes_;
  std::size_t came_ = 0;
  bool any_told_ = false;
};

int watch(const WatchOptions& options, const Console& console, const Stages& stages,
          InterruptGuard& guard) {
  const auto refuse = [&](const Error& error, int status) {
    print_error(console, error);
    return status;
  };
  const auto folder = choose_report_folder(options.out, options.paths, stages.roots);
  if (!folder) return refuse(folder.error(), kNotWritten);
  auto events = FolderEvents::of(options.paths.front());
  if (!events) return refuse(events.error(), kNothingFound);
  auto place = ReportPlace::prepare(folder->path);
  if (!place) return refuse(place.error(), kNotWritten);
  const InterruptGuard::Tidying tidying(guard, [&] { place->leave(); });
  if (!options.quiet)
    *console.out << fmt::format(
                        "Watching {}; Ctrl-C ends it.\nReport: {}\nlatest.html in it is the burst "
                        "that came last, for a phone.\n\n",
                        wording::printable(options.paths.front().string()),
                        wording::printable(folder->path.string()))
                 << std::flush;
  return Watching(options, console, stages, *std::move(events), *place, guard).run();
}

}  // namespace

int run_watch(const WatchOptions& options, const Console& console, const Stages& stages) {
  return run_interruptibly(
      "ringsweep: no longer watching.\n", *console.err, [&](InterruptGuard& guard) {
        return watch(options, console, with_cache_if_allowed(stages, options, console), guard);
      });
}

}  // namespace ringsweep::app
