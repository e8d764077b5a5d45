#include <oneapi/tbb/parallel_for.h>

#include <algorithm>
#include <cctype>
#include <fstream>
#include <map>
#include <set>
#include <span>
#include <string>
#include <system_error>
#include <tuple>
#include <utility>
#include <vector>

#include "burst_order.h"
#include "file_kind.h"
#include "jpeg_reader.h"
#include "metadata.h"
#include "raw_reader.h"
#include "reduced_copy.h"
#include "ringsweep/intake.h"

namespace ringsweep {
namespace {

namespace fs = std::filesystem;

/// Hidden by its leading dot, or made by an operating system for itself.
bool is_left_alone(const std::string& name) {
  return name.starts_with('.') || name.starts_with('$') || name == "System Volume Information" ||
         name == "lost+found" || name == "__MACOSX";
}

/// Enough to tell what a file is, and what lies before a JPEG's size: 64 kB for each of some kinds
/// of metadata.
constexpr std::size_t kMagic = 64, kMostMetadata = 256 * 1024;

std::vector<unsigned char> first_bytes(const fs::path& path, std::size_t most = kMagic) {
  std::vector<unsigned char> bytes(most);
  std::ifstream in(path, std::ios::binary);
  in.read(reinterpret_cast<char*>(bytes.data()), static_cast<std::streamsize>(bytes.size()));
  return bytes;
}

/// The files under the paths, each once.
class Walk {
 public:
  explicit Walk(Intake& intake) : intake_(intake) {}

  void add(const fs::path& path) {
    std::error_code code;
    const fs::file_status status = fs::status(path, code);
    if (status.type() == fs::file_type::directory) {
      add_folder(path);
    } else if (status.type() == fs::file_type::regular) {
      // Named by the user: then its content may say what its name does not.
      if (name_kind(path) != NameKind::none ||
          content_kind(first_bytes(path)) != ContentKind::unknown) {
        add_file(path);
      } else {
        ++intake_.other_files;
        intake_.problems.push_back({path.string(), "it is no picture", "name pictures or folders"});
      }
    } else if (!fs::exists(status)) {
      if (code && code != std::errc::no_such_file_or_directory)
        intake_.problems.push_back({path.string(), "it cannot be read (" + code.message() + ")",
                                    "check its permissions and the card"});
      else
        intake_.problems.push_back({path.string(), "there is no such file or folder",
                                    "check the spelling, and that the card is in"});
    } else {
      intake_.problems.push_back(
          {path.string(), "it is neither a file nor a folder", "name pictures or folders"});
    }
  }

  [[nodiscard]] std::set<fs::path> files() const {
    std::set<fs::path> files;
    for (const auto& [canonical, path] : files_) files.insert(path);
    return files;
  }

 private:
  /// A link to a file is a file where it lies, with its own name; but a file that is met as itself
  /// too, or by several links, counts once: as itself, else by the first of the links' names.
  void add_file(const fs::path& path) {
    std::error_code code;
    const fs::path absolute = fs::absolute(path, code);
    fs::path here = fs::canonical(absolute.parent_path(), code) / absolute.filename();
    if (code) here = absolute;
    fs::path canonical = fs::canonical(path, code);
    if (code) canonical = here;
    fs::path& taken = files_.try_emplace(canonical, here).first->second;
    if (here == canonical || (taken != canonical && here < taken)) taken = here;
  }

  void add_folder(const fs::path& folder) {
    std::error_code code;
    fs::directory_iterator it(folder, code);
    for (; !code && it != fs::directory_iterator(); it.increment(code)) {
      const fs::path path = it->path();
      if (is_left_alone(path.filename().string())) continue;
      std::error_code type_code;
      if (it->is_directory(type_code)) {
        if (!it->is_symlink(type_code)) add_folder(path);
      } else if (it->is_regular_file(type_code) && name_kind(path) != NameKind::none) {
        add_file(path);
      } else {
        ++intake_.other_files;
      }
    }
    if (code)
      intake_.problems.push_back({folder.string(),
                                  "the folder cannot be read (" + code.message() + ")",
                                  "check its permissions and the card"});
  }

  Intake& intake_;
  std::map<fs::path, fs::path> files_;  // canonical path -> the path to go by
};

/// A raw and a JPEG of one stem in one folder: one frame.
struct Pair {
  std::vector<fs::path> jpegs;
  std::vector<fs::path> raws;
  std::optional<cv::Size> jpeg{};  // its size, px
  std::uintmax_t jpeg_bytes = 0;
  std::optional<RawOffer> raw{};
};

void measure(Pair& pair) {
  std::error_code failed;
  pair.jpeg = jpeg_size(first_bytes(pair.jpegs.front(), kMostMetadata));
  pair.jpeg_bytes = fs::file_size(pair.jpegs.front(), failed);
  pair.raw = look_into_raw(pair.raws.front().string());
}

/// Whether a JPEG has half of the sensor's width or more, as a preview must.
bool is_large_enough(cv::Size jpeg, cv::Size sensor) {
  constexpr double kMostTimes = 2.02;  // a hundredth is edges that cameras cut away
  return turned_like(jpeg, sensor).width <= kMostTimes * jpeg.width;
}

/// Of each pair whether the raw is to be read: where the JPEG is too small, or where the raw's
/// preview is large enough and has fewer bytes. Pairs of one folder that are alike go together, as
/// frames of one burst must.
std::vector<bool> read_the_raw(const std::vector<Pair>& pairs) {
  using Key = std::tuple<fs::path, int, int, int, int>;
  const auto key = [](const Pair& pair) {
    const auto preview = pair.raw->preview.value_or(RawPreview{}).size;
    return Key{pair.raws.front().parent_path(), pair.jpeg->width, pair.jpeg->height,
               pair.raw->sensor.width, preview.width};
  };
  struct Bytes {
    std::uintmax_t jpegs = 0, previews = 0;
  };
  std::map<Key, Bytes> alike;
  for (const Pair& pair : pairs) {
    if (!pair.jpeg || !pair.raw) continue;
    Bytes& bytes = alike[key(pair)];
    bytes.jpegs += pair.jpeg_bytes;
    if (pair.raw->preview) bytes.previews += pair.raw->preview->length;
  }
  std::vector<bool> result;
  for (const Pair& pair : pairs) {
    bool raw = false;
    if (pair.jpeg && pair.raw) {
      const Bytes& bytes = alike[key(pair)];
      const bool preview = pair.raw->preview && is_large_enough(*pair.raw->preview);
      raw = !is_large_enough(*pair.jpeg, pair.raw->sensor) ||
            (preview && bytes.previews < bytes.jpegs);
    }
    result.push_back(raw);
  }
  return result;
}

/// A file that stands for a frame, and what the other file of a pair says of it.
struct Chosen {
  fs::path path;
  std::optional<cv::Size> sensor{};  // of a JPEG: by its raw
  fs::path metadata{};               // of a raw: in its JPEG; empty: in the raw itself
};

/// The stem without regard to case: frames of one stem in one folder are one.
std::string stem_of(const fs::path& file) {
  std::string stem = file.stem().string();
  std::ranges::transform(stem, stem.begin(),
                         [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return stem;
}

/// In the order of folders and stems.
/// @param twins_of gets what is left away
std::vector<Chosen> without_twins(const std::set<fs::path>& files, bool prefer_raw,
                                  std::map<std::string, std::vector<std::string>>& twins_of) {
  std::map<std::pair<fs::path, std::string>, std::vector<fs::path>> by_stem;
  for (const fs::path& file : files) by_stem[{file.parent_path(), stem_of(file)}].push_back(file);
  std::vector<Chosen> chosen;
  std::vector<Pair> pairs;
  for (const auto& [stem, twins] : by_stem) {
    Pair pair;
    for (const fs::path& file : twins) {
      if (name_kind(file) == NameKind::jpeg) pair.jpegs.push_back(file);
      if (name_kind(file) == NameKind::raw) pair.raws.push_back(file);
    }
    const bool both = !pair.jpegs.empty() && !pair.raws.empty();
    for (const fs::path& file : twins)
      if (!both || name_kind(file) == NameKind::other_picture) chosen.push_back({.path = file});
    if (both) pairs.push_back(std::move(pair));
  }
  if (!prefer_raw)
    oneapi::tbb::parallel_for(std::size_t{0}, pairs.size(),
                              [&](std::size_t i) { measure(pairs[i]); });
  const std::vector<bool> raw =
      prefer_raw ? std::vector<bool>(pairs.size(), true) : read_the_raw(pairs);
  for (std::size_t i = 0; i < pairs.size(); ++i) {
    const Pair& pair = pairs[i];
    std::vector<std::string> left;
    for (const fs::path& file : raw[i] ? pair.jpegs : pair.raws) left.push_back(file.string());
    for (const fs::path& file : raw[i] ? pair.raws : pair.jpegs) {
      twins_of[file.string()] = left;
      Chosen& one = chosen.emplace_back(Chosen{.path = file});
      if (raw[i] && !prefer_raw) one.metadata = pair.jpegs.front();
      if (!raw[i] && pair.raw) one.sensor = pair.raw->sensor;
    }
  }
  std::ranges::stable_sort(chosen, {}, [](const Chosen& one) {
    return std::pair(one.path.parent_path(), stem_of(one.path));
  });
  return chosen;
}

Shot read_shot(const Chosen& chosen) {
  const fs::path& path = chosen.path;
  Shot shot;
  FrameRef& frame = shot.frame;
  frame.path = path.string();
  frame.file = path.filename().string();
  frame.number = trailing_number(frame.file);
  shot.folder = path.parent_path().string();
  if (name_kind(path) == NameKind::raw) {
    const ContentKind content = content_kind(first_bytes(path));
    frame.is_raw =
        content != ContentKind::jpeg && content != ContentKind::png && content != ContentKind::bmp;
  }
  // A camera's JPEG tells its times to a fraction of a second, where a raw may not.
  const bool by_twin = frame.is_raw && !chosen.metadata.empty();
  Metadata metadata =
      by_twin ? read_metadata(chosen.metadata, false) : read_metadata(path, frame.is_raw);
  frame.time_s = metadata.time_s;
  frame.orientation = metadata.orientation;
  frame.settings = metadata.settings;
  frame.pixel_pitch_mm = metadata.pixel_pitch_mm;
  if (!by_twin) {
    frame.full_size = metadata.full_size;
    frame.file_size = metadata.file_size;
    frame.full_size_from = metadata.full_size_from;
  }
  if (chosen.sensor) take_full_size(frame, *chosen.sensor, FullSizeFrom::raw);
  shot.camera = std::move(metadata.camera);
  return shot;
}

/// Frames that a burst may hold together: those of one folder, or of the folders of one DCIM, where
/// a camera opens a new one in the middle of a burst.
std::string group_of(const Shot& shot) {
  const fs::path folder(shot.folder);
  std::string parent = folder.parent_path().filename().string();
  std::ranges::transform(parent, parent.begin(),
                         [](unsigned char c) { return static_cast<char>(std::toupper(c)); });
  if (parent == "DCIM" && is_dcf_folder(folder.filename().string()))
    return folder.parent_path().string() + "/*";
  return shot.folder;
}

std::string folder_name(const std::string& folder) {
  const std::string name = fs::path(folder).filename().string();
  return name.empty() ? folder : name;
}

}  // namespace

Intake find_bursts(std::span<const fs::path> paths, const IntakeOptions& options) {
  Intake intake;
  Walk walk(intake);
  for (const fs::path& path : paths) walk.add(path);
  const std::vector<Chosen> files = without_twins(walk.files(), options.prefer_raw, intake.twins);

  std::vector<Shot> shots(files.size());
  oneapi::tbb::parallel_for(std::size_t{0}, files.size(),
                            [&](std::size_t i) { shots[i] = read_shot(files[i]); });

  std::map<std::string, std::vector<Shot>> groups;
  for (Shot& shot : shots) {
    std::string group = group_of(shot);
    groups[std::move(group)].push_back(std::move(shot));
  }

  struct Found {
    std::optional<double> time_s;
    std::string folder;  // path
    Burst burst;
  };
  std::vector<Found> found;
  for (auto& [group, in_group] : groups) {
    fill_in_cameras(in_group);
    std::set<std::string> folders_with_times;
    for (const Shot& shot : in_group)
      if (shot.frame.time_s) folders_with_times.insert(shot.folder);
    std::map<std::string, std::vector<Shot>> cameras;
    for (Shot& shot : in_group) {
      std::string camera = shot.camera;
      cameras[std::move(camera)].push_back(std::move(shot));
    }
    for (auto& [camera, of_camera] : cameras) {
      for (std::vector<Shot>& sequence :
           in_capture_order(std::move(of_camera), folders_with_times)) {
        std::vector<FrameRef> frames;
        std::map<std::string, std::string> folder_of;  // path of a file -> of its folder
        for (Shot& shot : sequence) {
          folder_of[shot.frame.path] = std::move(shot.folder);
          frames.push_back(std::move(shot.frame));
        }
        for (std::vector<FrameRef>& run : split_at_pauses(std::move(frames), options)) {
          for (std::vector<FrameRef>& part : split_by_size(std::move(run))) {
            Found one;
            for (const FrameRef& frame : part)
              if (!one.time_s) one.time_s = frame.time_s;
            one.folder = folder_of[part.front().path];
            one.burst.folder = folder_name(one.folder);
            one.burst.frames = std::move(part);
            found.push_back(std::move(one));
          }
        }
      }
    }
  }
  // By time; what has none comes last, by folder.
  std::ranges::stable_sort(found, [](const Found& a, const Found& b) {
    if (a.time_s.has_value() != b.time_s.has_value()) return a.time_s.has_value();
    if (a.time_s && *a.time_s != *b.time_s) return *a.time_s < *b.time_s;
    return natural_compare(a.folder, b.folder) < 0;
  });
  for (Found& one : found) intake.bursts.push_back(std::move(one.burst));
  return intake;
}

}  // namespace ringsweep
