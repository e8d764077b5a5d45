#pragma once
/// What `check` and `watch` print of analysed bursts, and the files of their report, as bytes.

#include <iosfwd>
#include <span>
#include <string>
#include <utility>
#include <vector>

#include "app/analysis.h"
#include "ringsweep/page.h"
#include "ringsweep/session.h"

namespace ringsweep::app {

using Files = std::vector<std::pair<std::string, std::string>>;  ///< name and bytes

/// A word as a shell takes it back: quoted where it must be (POSIX, 2.2.2).
[[nodiscard]] std::string shell_word(const std::string& word);

/// report.json, report.txt and the depth pictures.
/// @param json  report_json() as text
[[nodiscard]] Files report_files(const std::vector<BurstAnalysis>& bursts,
                                 const std::vector<Scene>& scenes, const std::string& json,
                                 const std::string& left_out);

/// report_page() of these bursts, with the list that `stacklist` makes of each.
/// @param pictures  one a burst
[[nodiscard]] std::string page_of(const std::vector<BurstAnalysis>& bursts,
                                  const std::vector<Scene>& scenes, const PageRun& run,
                                  std::vector<BurstPictures> pictures);

/// frames_csv() of them.
[[nodiscard]] std::string table_of(const std::vector<BurstAnalysis>& bursts);

struct PrintOptions {
  bool details = false;
  bool quiet = false;        ///< the verdict only
  bool name_folder = false;  ///< there are bursts of several
  bool colour = false;
};

/// What the terminal shows of one burst, at 80 columns.
void print_burst(const BurstAnalysis& burst, const PrintOptions& options, std::ostream& out);

/// What it shows below all of them: which show the same, and how the session went; may be nothing.
void print_ending(const std::vector<BurstAnalysis>& bursts, const std::vector<Scene>& scenes,
                  bool summary, std::ostream& out);

/// "The newest: Good, 1201 to 1229: you may leave."
[[nodiscard]] std::string newest_line(const BurstAnalysis& newest);

}  // namespace ringsweep::app
