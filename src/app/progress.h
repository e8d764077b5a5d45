#pragma once
/// Progress: how far an analysis is, and how long it will still take, in words.

#include <string>
#include <string_view>

namespace ringsweep::app {

/// How much of a burst's time is over, 0..1, from what Progress says. The shares of the steps were
/// measured on the sample bursts and on 28 frames of 20 megapixels (bench/whole_job).
[[nodiscard]] double share_done(std::string_view stage, std::size_t done, std::size_t total);

/// ", about 25 s left"; "" as long as too little is known.
/// @param share      of all the work, 0..1
/// @param elapsed_s  since it began
[[nodiscard]] std::string time_left(double share, double elapsed_s);

}  // namespace ringsweep::app
