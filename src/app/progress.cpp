#include "app/progress.h"

#include <fmt/format.h>

#include <array>
#include <cmath>

namespace ringsweep::app {
namespace {

struct Step {
  std::string_view stage;
  double begin = 0.0, end = 0.0;
};

constexpr std::array<Step, 5> kSteps{{{"looking", 0.0, 0.25},
                                      {"measuring", 0.25, 0.7},
                                      {"fitting", 0.7, 0.8},
                                      {"looking for movement", 0.8, 0.9},
                                      {"looking for drops", 0.9, 1.0}}};

}  // namespace

double share_done(std::string_view stage, std::size_t done, std::size_t total) {
  const double part = total > 0 ? static_cast<double>(done) / static_cast<double>(total) : 0.0;
  for (const Step& step : kSteps)
    if (step.stage == stage) return step.begin + part * (step.end - step.begin);
  return 0.0;
}

std::string time_left(double share, double elapsed_s) {
  constexpr double kLeastShare = 0.05, kLeastS = 2.0;  // before, it would jump about
  if (share < kLeastShare || share >= 1.0 || elapsed_s < kLeastS) return "";
  const double left_s = elapsed_s * (1.0 - share) / share;
  constexpr double kFewSeconds = 10.0, kMinute = 60.0, kRoundS = 5.0;
  if (left_s < kFewSeconds) return ", a few seconds left";
  if (left_s < 2.0 * kMinute)
    return fmt::format(", about {:.0f} s left", kRoundS * std::round(left_s / kRoundS));
  return fmt::format(", about {:.0f} min left", std::ceil(left_s / kMinute));
}

}  // namespace ringsweep::app
