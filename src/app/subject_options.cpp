#include "app/subject_options.h"

#include <cstddef>
#include <fstream>
#include <iterator>
#include <opencv2/imgcodecs.hpp>

namespace ringsweep::app {
namespace {

constexpr double kMostPx = 1e6;

}  // namespace

void add_subject_options(CLI::App& command, SubjectWords& words) {
  CLI::Option* box =
      command
          .add_option("--subject-box", words.box,
                      "What must be sharp, px of the upright picture that the report names as "
                      "reference (usually it is found)")
          ->type_name("X,Y,W,H")
          ->delimiter(',')
          ->expected(4)
          ->check(CLI::Range(-kMostPx, kMostPx));
  command.add_option("--subject-polygon", words.polygon, "The same, as the corners of a polygon")
      ->type_name("X,Y,X,Y,...")
      ->delimiter(',')
      ->expected(6, 2000)
      ->check(CLI::Range(-kMostPx, kMostPx))
      ->excludes(box);
  command
      .add_option("--subject-mask", words.mask,
                  "The same, as a picture of the same shape: black is not meant")
      ->type_name("FILE");
  CLI::Option* from =
      command
          .add_option("--from", words.from_frame,
                      "Only the depth from this frame to that of --to must be sharp. Frames are "
                      "named by their file or its last four digits")
          ->type_name("FRAME");
  CLI::Option* to =
      command.add_option("--to", words.to_frame, "See --from")->type_name("FRAME")->needs(from);
  from->needs(to);
  command
      .add_option("--leave-front", words.leave_in_front_of,
                  "Everything in front of this frame's focus may stay blurred")
      ->type_name("FRAME");
}

Result<SubjectChoice> subject_choice(const SubjectWords& words) {
  SubjectChoice choice{.from_frame = words.from_frame,
                       .to_frame = words.to_frame,
                       .leave_in_front_of = words.leave_in_front_of};
  if (words.box.size() == 4) {
    const double x = words.box[0], y = words.box[1], w = words.box[2], h = words.box[3];
    if (!(w > 0.0 && h > 0.0)) {
      return tl::unexpected(Error{.file = "--subject-box",
                                  .problem = "has no width or no height",
                                  .remedy = "give X,Y,WIDTH,HEIGHT in px"});
    }
    choice.outline = {{x, y}, {x + w, y}, {x + w, y + h}, {x, y + h}};
  }
  if (words.polygon.size() % 2 != 0) {
    return tl::unexpected(Error{.file = "--subject-polygon",
                                .problem = "has an odd count of numbers",
                                .remedy = "give X,Y for each corner"});
  }
  for (std::size_t i = 0; i + 1 < words.polygon.size(); i += 2)
    choice.outline.emplace_back(words.polygon[i], words.polygon[i + 1]);
  if (!words.mask.empty()) {
    // Read here, since imread() itself complains on standard error of a file that is not there.
    std::ifstream file(words.mask, std::ios::binary);
    const std::vector<char> bytes{std::istreambuf_iterator<char>(file), {}};
    if (!bytes.empty()) choice.mask = cv::imdecode(bytes, cv::IMREAD_GRAYSCALE);
    if (choice.mask.empty() || cv::countNonZero(choice.mask) == 0) {
      return tl::unexpected(Error{
          .file = words.mask,
          .problem = choice.mask.empty() ? "cannot be read as a picture" : "is black all over",
          .remedy = "paint white what must be sharp, black the rest, and "
                    "save it as PNG"});
    }
  }
  return choice;
}

}  // namespace ringsweep::app
