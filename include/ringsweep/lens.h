#pragma once
/// What is known of the lens: what the user says and what the files hold -> working f-number and
/// pitch. A lens without contacts tells neither.

#include <optional>
#include <span>
#include <string>

#include "ringsweep/frame.h"
#include "ringsweep/ring_scale.h"

namespace ringsweep {

/// An f-number by itself does not say which of two it is: some cameras write the marked one, some
/// the working one, N_w = N (1 + m / P).
enum class FNumberIs { not_said, working, marked };

/// What the user says.
struct LensOptions {
  std::optional<double> working_f_number{};  ///< 0.5 to 1000
  std::optional<double> pitch_um{};          ///< of a px of the full-size picture, 0.2 to 200;
                                             ///< absent: the files', where they say
  std::optional<double> f_number{};          ///< 0.5 to 1000; absent: the files'
  FNumberIs f_number_is = FNumberIs::not_said;
  std::optional<double> magnification{};   ///< m, 0.001 to 100; needed with a marked f-number, and
                                           ///< for mm of subject depth
  std::optional<double> pupil_ratio{};     ///< P, exit over entrance pupil, 0.1 to 10; absent: 1
  FocusBy focus_by = FocusBy::not_said;    ///< needed for mm of extension
  std::optional<double> degrees_per_mm{};  ///< of extension: a lens learnt before
};

/// Why these options make no sense, or what they lack, as a sentence without its full stop; empty
/// where they do. Options are called by their names on the command line.
[[nodiscard]] std::string why_not(const LensOptions& options);

struct KnownLens {
  std::optional<double> working_f_number{};  ///< known, not guessed
  std::optional<double> f_number{};          ///< written in the files; the working one is no less
  std::optional<double> pitch_mm{};
  /// Both that it takes to blur as light waves do.
  [[nodiscard]] bool wave_model() const { return working_f_number && pitch_mm; }
};

/// @param frames of one burst; the last that says something is taken
/// @throws std::invalid_argument where why_not() has a reason
[[nodiscard]] KnownLens known_lens(std::span<const FrameRef> frames, const LensOptions& options);

/// What turns px into mm and degrees. Never of an f-number that is not known to be the working one.
[[nodiscard]] RingScale ring_scale_of(const KnownLens& lens, const LensOptions& options);

}  // namespace ringsweep
