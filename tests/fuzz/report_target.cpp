// A report.json, taken up again by `ringsweep stacklist` for pictures of these names and times.
#include <sstream>

#include "app/exit_status.h"
#include "app/stacklist.h"
#include "fuzz/input.h"
#include "report/made_analysis.h"

namespace {

using namespace ringsweep;

Intake pictures_at_hand(std::span<const std::filesystem::path>, const IntakeOptions&) {
  const BurstAnalysis made = made::complete_burst(1207, 6);
  Burst burst;
  for (const FrameAnalysis& frame : made.frames) {
    FrameRef picture;
    picture.file = frame.file;
    picture.path = "/pictures/" + frame.file;
    picture.time_s = made::kEightMinutesToFive + *frame.time_s;
    burst.frames.push_back(picture);
  }
  Intake intake;
  intake.bursts = {burst};
  return intake;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  app::StacklistOptions options;
  options.report = fuzz::input_file("report.json", data, size);
  options.list = std::string("-");
  app::Stages stages;
  stages.find_bursts = pictures_at_hand;
  for (const bool fewest : {false, true}) {
    options.fewest = fewest;
    std::ostringstream out;
    std::ostringstream err;
    const int status = app::run_stacklist(options, {.out = &out, .err = &err}, stages);
    fuzz::require(status == app::kComplete || status == app::kNotComplete ||
                  status == app::kNothingFound);
  }
  return 0;
}
