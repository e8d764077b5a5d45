#pragma once
/// Arrivals: which files of a folder that is being filled are all there, and when no more come.
/// Pure: what happened, and when, is said.

#include <cstddef>
#include <filesystem>
#include <map>
#include <optional>
#include <set>
#include <vector>

namespace ringsweep::app {

struct ArrivalOptions {
  /// A burst is taken for whole when nothing came for so long, s: pictures of one burst are 4 s
  /// apart at most (IntakeOptions::pause_s), or `factor` times what lay between them on the way
  /// here, up to `most_quiet_s`: a wireless transfer takes its time. Ours, no source.
  double quiet_s = 4.0;
  double factor = 3.0;
  double most_quiet_s = 30.0;
  /// A file that is not closed, or no picture yet, is waited for until nothing was written to it
  /// for so long, s. Ours, no source.
  double patience_s = 10.0;
};

struct ReadyFile {
  std::filesystem::path file;
  bool as_it_is = false;  ///< it was waited for long enough, whole or not
};

class Arrivals {
 public:
  explicit Arrivals(const ArrivalOptions& options = {}) : options_(options) {}

  /// Somebody writes to a file: it is not all there.
  void written(const std::filesystem::path& file, double now_s);
  /// A file was closed after writing, or got its name: it is all there, as far as is known.
  void closed(const std::filesystem::path& file, double now_s);
  void gone(const std::filesystem::path& file, double now_s);
  /// A file that was closed is no whole picture after all: it waits to be written to again.
  void not_whole(const std::filesystem::path& file);

  /// Files that have become ready since this was last asked, each once for every time it changed.
  [[nodiscard]] std::vector<ReadyFile> take_ready(double now_s);
  /// Once after each time that files came or went: nothing is waited for, and nothing came for as
  /// long as it takes.
  [[nodiscard]] bool take_pause(double now_s);
  /// Files that are waited for.
  [[nodiscard]] std::size_t waiting() const { return waiting_.size(); }

 private:
  struct Waiting {
    double since_s = 0.0;
    bool closed = false;
    bool not_whole = false;
  };
  [[nodiscard]] double quiet_s() const;

  ArrivalOptions options_;
  std::map<std::filesystem::path, Waiting> waiting_;
  std::optional<double> last_s_;     ///< when something last came or went
  std::vector<double> intervals_s_;  ///< between the last files that became ready
  std::optional<double> last_ready_s_;
  bool news_ = false;  ///< since the last pause
};

}  // namespace ringsweep::app
