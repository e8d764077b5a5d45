#pragma once
/// The options of `check` that have to do with the ring: what moves, a lens learnt before, a lens
/// to be learnt.

#include <CLI/CLI.hpp>
#include <ostream>
#include <span>
#include <string>
#include <vector>

#include "app/check.h"
#include "app/console.h"

namespace ringsweep::app {

/// --moves, --lens, --learn-lens, --turned.
void add_ring_options(CLI::App& check, CheckOptions& options);

/// Puts the lens of --lens into the options. Says on `err` what is wrong with the options or that
/// lens.
/// @return false: nothing is to be done
[[nodiscard]] bool use_ring_options(CheckOptions& options, const Console& console);

/// Before the analysis: what of --lens is not used, and why. Nothing is carried over silently.
void tell_unused_lens(const CheckOptions& options, const std::vector<Burst>& bursts,
                      const Console& console);

/// Before the analysis: whether a lens can be learnt from these bursts, and kept. Says why not on
/// `err`.
[[nodiscard]] bool can_learn(const CheckOptions& options, const std::vector<Burst>& bursts,
                             const Console& console, const Stages& stages);

/// Learns the lens of --learn-lens and keeps it; says so on `text`, or why not on `err`. True also
/// where nothing was to be learnt.
[[nodiscard]] bool learn(const CheckOptions& options, const std::vector<BurstAnalysis>& bursts,
                         const Console& console, std::ostream& text);

}  // namespace ringsweep::app
