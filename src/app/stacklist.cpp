#include "app/stacklist.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cerrno>
#include <map>
#include <ostream>
#include <set>
#include <span>
#include <system_error>
#include <utility>
#include <vector>

#include "app/exit_status.h"
#include "app/interrupt.h"
#include "app/match_files.h"
#include "app/new_files.h"
#include "app/output_place.h"
#include "app/report_reader.h"
#include "app/sidecar.h"
#include "app/stack_input.h"
#include "report/stack_text.h"
#include "report/wording.h"
#include "ringsweep/frame_name.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

/// A burst, and where its pictures lie now.
struct BurstFiles {
  BurstAnalysis burst;
  std::vector<std::optional<FrameRef>> files;  // one for each frame; absent: not found
};

/// A burst's lists, one for each pose; none where there can be none.
struct BurstLists {
  const BurstFiles* at = nullptr;
  std::vector<StackList> lists;
  wording::StackWish wish;
  [[nodiscard]] const BurstAnalysis& burst() const { return at->burst; }
};

/// All pictures at hand.
struct Pictures {
  std::vector<BurstFiles> bursts;
  std::map<std::string, std::vector<std::string>> twins;
  std::string left_out;        // a line on what is too short for a burst, or no frame of the report
  bool failed = false;         // a burst could not be analysed; it was said why
  std::optional<int> no_more;  // exit status, where it ends here
};

/// A frame of a list, with every file of it.
std::vector<std::string> files_of(const FrameRef& frame, const Pictures& pictures) {
  std::vector<std::string> files{frame.path};
  if (const auto found = pictures.twins.find(frame.path); found != pictures.twins.end())
    files.insert(files.end(), found->second.begin(), found->second.end());
  return files;
}

Pictures look_at(const StacklistOptions& options, const Console& console, const Stages& stages) {
  Pictures pictures;
  const FoundBursts found = find_whole_bursts(options, console, stages);
  pictures.twins = found.twins;
  pictures.left_out = found.left_out;
  if (found.bursts.empty()) {
    tell_nothing_found(found, console);
    pictures.no_more = kNothingFound;
    return pictures;
  }
  for (const Burst& burst : found.bursts) {
    Analysed analysed =
        analyse_all(std::span(&burst, 1), options, console, stages,
                    {.first = static_cast<std::size_t>(&burst - found.bursts.data()),
                     .of = found.bursts.size()});
    if (InterruptGuard::interrupted()) break;
    pictures.failed = pictures.failed || analysed.failed;
    for (std::size_t i = 0; i < analysed.bursts.size(); ++i) {
      name_unreadable(analysed.bursts[i], console);
      pictures.bursts.push_back({std::move(analysed.bursts[i]), std::move(analysed.files[i])});
    }
  }
  if (InterruptGuard::interrupted()) {
    pictures.no_more = kStopped;
    return pictures;
  }
  const bool any_picture = std::ranges::any_of(pictures.bursts, [](const BurstFiles& one) {
    return !std::ranges::all_of(one.burst.frames, is_unreadable);
  });
  if (!any_picture && !pictures.failed) {
    *console.err << "ringsweep: none of the pictures can be read; try another card or reader.\n";
    pictures.no_more = kNothingFound;
  } else if (pictures.bursts.empty()) {
    pictures.no_more = kNotComplete;
  }
  return pictures;
}

/// The pictures under the paths, as frames of a report.
Pictures look_up(const StacklistOptions& options, const Console& console, const Stages& stages) {
  Pictures pictures;
  Result<std::vector<BurstAnalysis>> bursts = read_report(*options.report);
  if (!bursts) {
    print_error(console, bursts.error());
    pictures.no_more = kNothingFound;
    return pictures;
  }
  Intake intake = stages.find_bursts(options.paths, {.prefer_raw = options.prefer_raw});
  for (const Error& problem : intake.problems) print_error(console, problem);
  std::vector<FrameRef> files;
  for (const Burst& burst : intake.bursts)
    for (const FrameRef& frame : burst.frames)
      if (!is_from_report(frame.path)) files.push_back(frame);
  pictures.twins = std::move(intake.twins);
  const MatchedFiles matched = match_files(*bursts, files, options.prefer_raw);
  for (std::size_t b = 0; b < bursts->size(); ++b) {
    BurstFiles one{std::move((*bursts)[b]), {}};
    for (const std::optional<std::size_t>& file : matched.files[b])
      one.files.push_back(file ? std::optional(files[*file]) : std::nullopt);
    const bool any = std::ranges::any_of(one.files, [](const auto& f) { return f.has_value(); });
    if (any) pictures.bursts.push_back(std::move(one));
  }
  const auto pictures_words = [](std::size_t count) {
    return count == 1 ? std::string("1 picture") : fmt::format("{} pictures", count);
  };
  if (matched.by_time > 0) {
    pictures.left_out += fmt::format("Found by their time of capture, not by name: {}.\n",
                                     pictures_words(matched.by_time));
  }
  if (matched.other_time > 0) {
    pictures.left_out +=
        fmt::format("Of the same name, but shot at another time, and left alone: {}.\n",
                    pictures_words(matched.other_time));
  }
  if (matched.unknown > matched.other_time) {
    pictures.left_out += fmt::format("Not in the report: {}.\n",
                                     pictures_words(matched.unknown - matched.other_time));
  }
  if (pictures.bursts.empty()) {
    *console.err << "ringsweep: no picture here belongs to the report, by name or by time; give "
                    "the folder they lie in now.\n";
    pictures.no_more = kNothingFound;
  }
  return pictures;
}

std::string stem_of(const std::string& file) { return fs::path(file).stem().string(); }

bool same_stem(const std::string& a, const std::string& b) {
  return std::ranges::equal(stem_of(a), stem_of(b), [](unsigned char x, unsigned char y) {
    return std::tolower(x) == std::tolower(y);
  });
}

/// Frames that the user may have meant.
std::vector<std::size_t> frames_named(const BurstAnalysis& burst, const std::string& name) {
  std::vector<std::size_t> frames;
  for (std::size_t k = 0; k < burst.frames.size(); ++k)
    if (is_called(burst.frames[k].file, name)) frames.push_back(k);
  return frames;
}

struct Part {
  const BurstFiles* burst = nullptr;
  std::size_t first = 0;
  std::size_t last = 0;
};

/// The one burst that holds both frames that the user named.
Result<Part> named_part(const Pictures& pictures, const StacklistOptions& options) {
  const auto wrong = [](const std::string& file, std::string problem, std::string remedy) {
    return tl::unexpected(Error{file, std::move(problem), std::move(remedy)});
  };
  std::vector<Part> parts;
  for (const BurstFiles& burst : pictures.bursts) {
    for (const std::size_t a : frames_named(burst.burst, options.from))
      for (const std::size_t b : frames_named(burst.burst, options.to))
        parts.push_back({&burst, std::min(a, b), std::max(a, b)});
  }
  const std::string both = fmt::format("{} to {}", options.from, options.to);
  if (parts.empty())
    return wrong(both, "no burst has both of these frames",
                 "name them by the last four digits, or by their whole names");
  if (parts.size() > 1)
    return wrong(both, "that may be several frames", "give one burst only, or their whole names");
  for (const std::size_t k : {parts[0].first, parts[0].last}) {
    const FrameAnalysis& frame = parts[0].burst->burst.frames[k];
    if (!frame.focus_px || parts[0].burst->burst.fit_status != FitStatus::converged)
      return wrong(frame.file, "where it is sharp is not known",
                   "name the frame before or after it");
  }
  return parts[0];
}

BurstLists lists_of(const BurstFiles& burst, const StacklistOptions& options,
                    const std::optional<Part>& part) {
  BurstLists result{.at = &burst, .lists = {}, .wish = {}};
  result.wish.fewest = options.fewest;
  result.wish.overlap = options.overlap;
  const std::vector<StackFrame> frames = stack_frames(burst.burst);
  std::optional<DepthRange> wanted = wanted_depths(burst.burst);
  if (part) {
    const auto [low, high] = std::minmax(*frames[part->first].q_px, *frames[part->last].q_px);
    wanted = DepthRange{.low_px = low, .high_px = high};
    result.wish.part = {part->first, part->last};
  }
  if (!wanted) return result;
  const StackRange range{.wanted = *wanted, .empty = empty_depths(burst.burst)};
  const StackOptions how{.blur_limit_px = as_reported(burst.burst.blur_limit_px),
                         .overlap = options.overlap};
  result.lists =
      options.fewest ? fewest_frames(frames, range, how) : all_good_frames(frames, range, how);
  return result;
}

/// A path in the words of the command line: below the folder that was named, as it was named.
std::string as_given(const std::string& path, std::span<const fs::path> inputs) {
  const fs::path file(path);
  for (const fs::path& input : inputs) {
    std::error_code failed;
    fs::path folder = fs::canonical(input, failed);
    if (failed) continue;
    if (folder == file) return input.string();
    const fs::path inside = file.lexically_relative(folder);
    if (inside.empty() || *inside.begin() == "..") continue;
    return (input == "." ? inside : input / inside).string();
  }
  return path;
}

/// The names of a list, aligned, with their times; where a file has another name than the frame
/// had, the frame's too.
std::string names(const BurstLists& of, const StackList& list) {
  const std::vector<std::string> labels = wording::frame_labels(of.burst());
  struct Line {
    std::string file, time, frame;
  };
  std::vector<Line> lines;
  std::size_t widest = 0;
  for (const std::size_t k : wording::in_order_of_depth(of.burst(), list)) {
    Line& line = lines.emplace_back();
    const std::optional<FrameRef>& file = of.at->files[k];
    line.file = wording::printable(file ? file->file : of.burst().frames[k].file);
    line.time = wording::time_of_day(of.burst(), k);
    if (!file)
      line.frame = "not found";
    else if (!same_stem(file->file, of.burst().frames[k].file))
      line.frame = "was " + labels[k];
    widest = std::max(widest, line.file.size());
  }
  std::string text;
  for (const Line& line : lines) {
    std::string row = fmt::format("  {:{}}  {}", line.file, widest, line.time);
    if (!line.frame.empty()) row += "  " + line.frame;
    row.erase(row.find_last_not_of(' ') + 1);
    text += row + "\n";
  }
  return text;
}

/// How many frames of a list have no file.
std::size_t missing(const BurstLists& of, const StackList& list) {
  return static_cast<std::size_t>(
      std::ranges::count_if(list.frames, [&](std::size_t k) { return !of.at->files[k]; }));
}

void print_lists(const std::vector<BurstLists>& all, std::ostream& out) {
  std::set<std::string> folders;
  for (const BurstLists& of : all) folders.insert(of.burst().folder);
  bool first = true;
  for (const BurstLists& of : all) {
    const std::string folder =
        folders.size() > 1 ? fmt::format("In folder {}.\n", wording::printable(of.burst().folder))
                           : std::string();
    if (of.lists.empty()) {
      out << (first ? "" : "\n") << wording::no_stack(of.burst()) << folder;
      first = false;
    }
    for (const StackList& list : of.lists) {
      out << (first ? "" : "\n")
          << wording::stack_heading(of.burst(), list, of.lists.size(), of.wish) << folder
          << names(of, list) << wording::stack_left_out(of.burst(), list);
      if (const std::size_t count = missing(of, list); count > 0)
        out << fmt::format("Not found here: {} of them; look where the others lie.\n", count);
      first = false;
    }
  }
}

/// The folder of one list below the user's: of its own where there are several.
fs::path place_of(const fs::path& folder, std::size_t burst, std::size_t pose, bool one_list,
                  std::size_t poses) {
  if (one_list) return folder;
  const std::string name = fmt::format("burst-{}", burst + 1);
  return folder / (poses > 1 ? fmt::format("{}-pose-{}", name, pose + 1) : name);
}

std::size_t count_lists(const std::vector<BurstLists>& all) {
  std::size_t count = 0;
  for (const BurstLists& of : all)
    count += static_cast<std::size_t>(std::ranges::count_if(
        of.lists, [](const StackList& list) { return !list.frames.empty(); }));
  return count;
}

std::vector<NewFile> copies(const std::vector<BurstLists>& all, const Pictures& pictures,
                            const fs::path& folder) {
  std::vector<NewFile> files;
  const bool one_list = count_lists(all) == 1;
  for (std::size_t b = 0; b < all.size(); ++b) {
    for (const StackList& list : all[b].lists) {
      const fs::path place = place_of(folder, b, list.pose, one_list, all[b].lists.size());
      for (const std::size_t k : list.frames) {
        if (!all[b].at->files[k]) continue;
        for (const std::string& original : files_of(*all[b].at->files[k], pictures))
          files.push_back(
              {.place = place / fs::path(original).filename(), .bytes = {}, .original = original});
      }
    }
  }
  return files;
}

/// A frame's own fault is worth less than a good frame that is not needed; nothing is "rejected"
/// (-1), which some programs take for leave to delete.
int rating_of(WhyLeftOut why) {
  switch (why) {
    case WhyLeftOut::in_the_list:
      return 5;
    case WhyLeftOut::outside_range:
    case WhyLeftOut::idle:
    case WhyLeftOut::not_needed:
    case WhyLeftOut::other_sweep:
    case WhyLeftOut::other_pose:
      return 2;
    default:
      return 1;
  }
}

std::vector<NewFile> sidecars(const std::vector<BurstLists>& all, const fs::path& folder) {
  std::vector<NewFile> files;
  for (const BurstLists& of : all) {
    for (std::size_t k = 0; k < of.burst().frames.size() && !of.lists.empty(); ++k) {
      if (!of.at->files[k]) continue;
      // What the list of its own pose says of it.
      const StackList* own = &of.lists.front();
      for (const StackList& list : of.lists)
        if (list.left_out[k] != WhyLeftOut::other_pose) own = &list;
      const WhyLeftOut why = own->left_out[k];
      std::string label = wording::stack_label(why);
      if (why == WhyLeftOut::in_the_list && of.lists.size() > 1)
        label += fmt::format(", pose {}", own->pose + 1);
      files.push_back({.place = folder / (stem_of(of.at->files[k]->file) + ".xmp"),
                       .bytes = sidecar_xmp({.rating = rating_of(why), .label = label}),
                       .original = {}});
    }
  }
  return files;
}

/// One name a line, as the command line named their folder; an empty line between two lists.
std::string plain_list(const std::vector<BurstLists>& all, const StacklistOptions& options) {
  std::string text;
  for (const BurstLists& of : all) {
    for (const StackList& list : of.lists) {
      std::string lines;
      for (const std::size_t k : wording::in_order_of_depth(of.burst(), list))
        if (of.at->files[k]) lines += as_given(of.at->files[k]->path, options.paths) + "\n";
      if (!text.empty() && !lines.empty()) text += "\n";
      text += lines;
    }
  }
  return text;
}

/// Why nothing can be written at a place, as far as it is known before the pictures are looked at.
std::optional<Error> why_not_at(const fs::path& place, const char* option, bool is_folder,
                                const StacklistOptions& options, const Stages& stages) {
  const std::string remedy = fmt::format("choose another place with {}", option);
  auto why = why_not_there(place, options.paths, stages.roots);
  if (why) {
    why->remedy = remedy;
    return why;
  }
  std::error_code failed;
  if (is_folder && fs::exists(place, failed) && !fs::is_directory(place, failed))
    return Error{place.string(), "is a file, not a folder", remedy};
  if (!is_folder && fs::exists(fs::symlink_status(place, failed)))
    return Error{place.string(), "is there already and is left as it is", remedy};
  // Beside pictures that were named one by one.
  const fs::path folder = is_folder ? place : fs::absolute(place, failed).parent_path();
  for (const fs::path& input : options.paths) {
    if (is_folder && fs::is_regular_file(input, failed) &&
        fs::equivalent(fs::absolute(input, failed).parent_path(), folder, failed))
      return Error{place.string(), "holds the pictures themselves, where nothing is written",
                   remedy};
  }
  fs::path there = fs::absolute(folder, failed);
  if (!is_folder && !fs::is_directory(there, failed))
    return Error{place.string(), "lies in a folder that does not exist", "create it first"};
  while (!fs::exists(there, failed) && there.has_relative_path()) there = there.parent_path();
  if (::access(there.c_str(), W_OK) != 0) {
    return Error{place.string(),
                 fmt::format("cannot be written to ({})", std::generic_category().message(errno)),
                 remedy};
  }
  return std::nullopt;
}

std::optional<Error> why_not_written(const StacklistOptions& options, const Stages& stages) {
  if (options.copy) {
    if (auto why = why_not_at(*options.copy, "--copy", true, options, stages)) return why;
  }
  if (options.sidecars) {
    if (auto why = why_not_at(*options.sidecars, "--sidecars", true, options, stages)) return why;
  }
  if (!options.list.empty() && options.list != "-")
    return why_not_at(options.list, "--list", false, options, stages);
  return std::nullopt;
}

bool is_good(const BurstLists& of) {
  if (std::ranges::any_of(of.lists, [&](const StackList& l) { return missing(of, l) > 0; }))
    return false;
  if (!of.wish.part) return is_complete(of.burst().verdict.kind);
  return std::ranges::any_of(of.lists, wording::is_all_sharp);
}

/// All of it but the ending by a signal.
int stacklist(const StacklistOptions& options, const Console& console, const Stages& stages,
              InterruptGuard& guard) {
  if (const auto why = why_not_written(options, stages)) {
    print_error(console, *why);
    return kNotWritten;
  }
  const bool list_to_out = options.list == "-";
  std::ostream& text = list_to_out ? *console.err : *console.out;
  const Pictures pictures =
      options.report ? look_up(options, console, stages) : look_at(options, console, stages);
  if (pictures.no_more) {
    if (*pictures.no_more != kStopped) text << pictures.left_out;
    return *pictures.no_more;
  }
  std::optional<Part> part;
  if (!options.from.empty()) {
    const Result<Part> named = named_part(pictures, options);
    if (!named) {
      print_error(console, named.error());
      return kWrongCommand;
    }
    part = *named;
  }
  std::vector<BurstLists> all;
  for (const BurstFiles& burst : pictures.bursts)
    if (!part || part->burst == &burst) all.push_back(lists_of(burst, options, part));

  print_lists(all, text);
  if (!pictures.left_out.empty()) text << "\n" << pictures.left_out;
  text.flush();

  int status = kComplete;
  if (std::ranges::none_of(all, [](const BurstLists& of) { return is_sweep(of.burst().verdict); }))
    status = kNothingFound;
  else if (pictures.failed || !std::ranges::all_of(all, is_good))
    status = kNotComplete;

  guard.begin_writing();
  const std::vector<NewFile> copied =
      options.copy ? copies(all, pictures, *options.copy) : std::vector<NewFile>{};
  const std::vector<NewFile> noted =
      options.sidecars ? sidecars(all, *options.sidecars) : std::vector<NewFile>{};
  std::vector<NewFile> listed;
  const std::string list = plain_list(all, options);
  if (!options.list.empty() && !list_to_out)
    listed.push_back({.place = options.list, .bytes = list, .original = {}});
  bool begun = false;
  const auto put = [&](const std::vector<NewFile>& files, const std::string& done) {
    if (files.empty()) return true;
    const auto written = put_new_files(files, InterruptGuard::interrupted);
    if (!written) {
      if (!InterruptGuard::interrupted()) print_error(console, written.error());
      return false;
    }
    text << (begun ? "" : "\n") << done << "\n";
    begun = true;
    return true;
  };
  const auto shown = [](const fs::path& path) { return wording::printable(path.string()); };
  const auto count = [](std::size_t n) {
    return n == 1 ? std::string("1 file") : fmt::format("{} files", n);
  };
  if (options.copy && copied.empty()) text << "\nNothing to copy.\n";
  bool written = true;
  if (options.copy) {
    written = put(copied, fmt::format("Copied and compared byte for byte: {}, to {}.",
                                      count(copied.size()), shown(*options.copy)));
  }
  if (options.sidecars) {
    written = put(noted, fmt::format("Sidecars: {}, in {}.", count(noted.size()),
                                     shown(*options.sidecars))) &&
              written;
  }
  written = put(listed, fmt::format("List: {}", shown(options.list))) && written;
  if (InterruptGuard::interrupted()) return kStopped;
  text.flush();
  if (list_to_out) *console.out << list << std::flush;
  if (!*console.out) {
    print_error(console, {.file = "standard output",
                          .problem = "cannot be written to",
                          .remedy = "write the list to a file with --list"});
    return kNotWritten;
  }
  return written ? status : kNotWritten;
}

}  // namespace

int run_stacklist(const StacklistOptions& options, const Console& console, const Stages& stages) {
  return run_interruptibly(
      "ringsweep: stopped; nothing half done was left.\n", *console.err,
      [&](InterruptGuard& guard) {
        return stacklist(options, console, with_cache_if_allowed(stages, options, console), guard);
      });
}

}  // namespace ringsweep::app
