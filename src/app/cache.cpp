#include "app/cache.h"

#include <sys/stat.h>

#include <algorithm>
#include <array>
#include <chrono>
#include <fstream>
#include <iterator>
#include <utility>

#include "app/hash.h"
#include "app/measured_archive.h"
#include "app/output_place.h"
#include "app/user_folders.h"

namespace ringsweep::app {
namespace {

namespace fs = std::filesystem;

std::optional<std::string> bytes_of(const fs::path& file) {
  std::ifstream stream(file, std::ios::binary);
  if (!stream) return std::nullopt;
  std::string bytes((std::istreambuf_iterator<char>(stream)), {});
  return stream.bad() ? std::nullopt : std::optional(std::move(bytes));
}

/// This very program: another build of it may measure otherwise.
const std::optional<std::string>& program() {
  static const std::optional<std::string> name = [] {
    const std::optional<std::string> bytes = bytes_of("/proc/self/exe");
    if (!bytes) return bytes;
    Hash hash;
    hash.add(*bytes);
    return std::optional(hash.text());
  }();
  return name;
}

/// Size, time of change, and bytes from its beginning, its end and between them. A picture that is
/// written anew with the same size differs all over: a few places tell.
bool add_file(Hash& hash, const fs::path& file) {
  constexpr std::size_t kSampleBytes = 4096;
  constexpr std::uintmax_t kSamples = 5;
  struct stat status {};
  if (stat(file.c_str(), &status) != 0) return false;
  std::ifstream stream(file, std::ios::binary);
  if (!stream) return false;
  const auto size = static_cast<std::uintmax_t>(status.st_size);
  hash.add_number(size);
  hash.add_number(status.st_mtim.tv_sec);
  hash.add_number(status.st_mtim.tv_nsec);
  const std::uintmax_t last = size - std::min<std::uintmax_t>(size, kSampleBytes);
  std::array<char, kSampleBytes> sample{};
  for (std::uintmax_t i = 0; i < kSamples; ++i) {
    stream.clear();
    stream.seekg(static_cast<std::streamoff>(last / (kSamples - 1) * i));
    stream.read(sample.data(), static_cast<std::streamsize>(sample.size()));
    if (stream.bad()) return false;
    hash.add({sample.data(), static_cast<std::size_t>(stream.gcount())});
  }
  return true;
}

/// All of the options that pictures are measured by.
void add_options(Hash& hash, const MeasureOptions& options) {
  // Threads change nothing, for want of memory checks are left out, focus_by and degrees are not
  // used in measuring; one that is added no longer compiles here.
  const auto& [lens, finer_limit_px, drops, memory_bytes, threads] = options;
  static_cast<void>(threads);
  const auto& [working, pitch, f_number, f_number_is, magnification, pupil_ratio, focus_by,
               degrees] = lens;
  static_cast<void>(focus_by), static_cast<void>(degrees);
  for (const std::optional<double>& number : {working, pitch, f_number, magnification, pupil_ratio})
    hash.add_number(number);
  hash.add_number(f_number_is);
  hash.add_number(finer_limit_px);
  hash.add_number(drops);
  hash.add_number(memory_bytes);
}

constexpr std::string_view kEnding = ".kept";
constexpr std::size_t kSumDigits = 32;

std::string sum_of(std::string_view bytes) {
  Hash hash;
  hash.add(bytes);
  return hash.text();
}

std::vector<MeasuredBurst> measure_or_find(const Cache& cache, const Burst& burst,
                                           const ReadFrame& read, const MeasureOptions& options,
                                           const Progress& progress) {
  const std::optional<std::string> identity = identity_of(burst.frames);
  if (!identity) return measure(burst, read, options, progress);
  Hash hash;
  hash.add(*identity);
  add_options(hash, options);
  const std::string name = "measured-" + hash.text();
  if (const auto kept = cache.find(name))
    if (auto parts = from_archive(*kept, burst)) return *std::move(parts);
  std::vector<MeasuredBurst> parts = measure(burst, read, options, progress);
  // What could not be read may be readable the next time.
  const auto all_read = [](const MeasuredBurst& part) {
    return std::ranges::all_of(part.frames, &std::string::empty, &MeasuredFrame::problem);
  };
  if (!parts.empty() && std::ranges::all_of(parts, all_read))
    cache.keep(name, archived(parts, burst));
  return parts;
}

}  // namespace

std::optional<std::string> identity_of(std::span<const FrameRef> frames) {
  if (!program()) return std::nullopt;
  Hash hash;
  hash.add(*program());
  for (const FrameRef& frame : frames) {
    hash.add(frame.file);
    // What may be said of a file, or told by another one.
    const cv::Size full_size = frame.full_size.value_or(cv::Size());
    for (const int side : {full_size.width, full_size.height}) hash.add_number(side);
    hash.add_number(frame.raw_picture);
    if (!add_file(hash, frame.path)) return std::nullopt;
  }
  return hash.text();
}

std::optional<fs::path> cache_folder() {
  const auto folder = user_folder("XDG_CACHE_HOME", ".cache");
  return folder ? std::optional(*folder / "ringsweep") : std::nullopt;
}

Cache::Cache(fs::path folder, std::uintmax_t most_bytes)
    : folder_(std::move(folder)), most_bytes_(most_bytes) {}

std::optional<std::string> Cache::find(const std::string& name) const {
  const fs::path file = folder_ / (name + std::string(kEnding));
  std::optional<std::string> entry = bytes_of(file);
  if (!entry || entry->size() < kSumDigits) return std::nullopt;
  const std::string sum = entry->substr(0, kSumDigits);
  entry->erase(0, kSumDigits);
  if (sum != sum_of(*entry)) return std::nullopt;
  // The entries that were not used for longest go first.
  std::error_code ignored;
  fs::last_write_time(file, fs::file_time_type::clock::now(), ignored);
  return entry;
}

void Cache::keep(const std::string& name, std::string_view bytes) const {
  if (bytes.size() + kSumDigits > most_bytes_) return;
  std::error_code failed;
  fs::create_directories(folder_, failed);
  // It holds small copies of the pictures: nobody else's business.
  fs::permissions(folder_, fs::perms::owner_all, failed);
  const Result<void> ignored =
      write_whole(folder_ / (name + std::string(kEnding)), sum_of(bytes).append(bytes));
  static_cast<void>(ignored);  // no room, no right to write: then there is no cache
  make_room();
}

void Cache::make_room() const {
  using std::chrono::hours;
  struct Entry {
    fs::file_time_type used;
    std::uintmax_t bytes = 0;
    fs::path file;
  };
  std::vector<Entry> entries;
  std::uintmax_t all = 0;
  std::error_code failed;
  for (const fs::directory_entry& found : fs::directory_iterator(folder_, failed)) {
    std::error_code gone;  // by another run
    const Entry entry{
        .used = found.last_write_time(gone), .bytes = found.file_size(gone), .file = found.path()};
    if (gone) continue;
    if (entry.file.extension() == kEnding) {
      all += entry.bytes;
      entries.push_back(entry);
    } else if (entry.file.extension() == ".part" &&
               fs::file_time_type::clock::now() - entry.used > hours(1)) {
      fs::remove(entry.file, gone);  // of a run that was killed
    }
  }
  std::ranges::sort(entries, {}, &Entry::used);
  for (const Entry& entry : entries) {
    if (all <= most_bytes_) return;
    std::error_code gone;
    fs::remove(entry.file, gone);
    all -= entry.bytes;
  }
}

std::vector<BurstAnalysis> analyse_or_find(const Cache& cache, const Burst& burst,
                                           const ReadFrame& read, const AnalysisOptions& options,
                                           const Progress& progress) {
  std::vector<BurstAnalysis> result;
  for (const MeasuredBurst& part :
       measure_or_find(cache, burst, read, measure_options(options), progress))
    result.push_back(judge(part, options));
  return result;
}

}  // namespace ringsweep::app
