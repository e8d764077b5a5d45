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

/// Paths as `stacklist` takes them to look at the same bursts, or more, quoted for a shell: what
/// was chosen today may be another choice when it is typed.
[[nodiscard]] std::string words_for_stacklist(const AnalysisRequest& request);

/// report_page() of these bursts, with the list that `stacklist` makes of each.
/// @param pictures  one a burst, then one a scene's whole
[[nodiscard]] std::string page_of(const std::vector<BurstAnalysis>& bursts,
                                  const std::vector<Scene>& scenes, const PageRun& run,
                                  std::vector<BurstPictures> pictures);

/// The whole report: report.json first, report.txt, the depth pictures, report.html, frames.csv.
/// @param pictures  one a burst, then one a scene's whole
[[nodiscard]] Files report_files(const std::vector<BurstAnalysis>& bursts,
                                 const std::vector<Scene>& scenes, const PageRun& run,
                                 std::vector<BurstPictures> pictures);

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

/// "The newest: Good, 1201 to 1229: you may leave." Of a burst whose scene has others the scene:
/// its best burst, or what several of them are together. Nothing where there are no bursts.
[[nodiscard]] std::string newest_line(const std::vector<BurstAnalysis>& bursts,
                                      const std::vector<Scene>& scenes);

}  // namespace ringsweep::app
