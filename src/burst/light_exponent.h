#pragma once
/// The power of a file's light in which blur adds up.
///
/// A camera encodes the light, bends it by a tone curve and sharpens it, all after the lens has
/// blurred it. A file says the encoding only, so what is decoded is not quite the light in which
/// discs that lie one upon the other add up. Where the mosaic is blurred in the wrong light, what
/// the frames show is explained badly, and distances come out up to a tenth too long (sharpening)
/// or too short (tone curve). So the burst itself is asked: the power of the light that leaves the
/// least misfit. Ours, no source; bench/accuracy, group develop.

#include <functional>
#include <optional>

namespace ringsweep {

/// The exponent (BlurModel) with the least misfit: the lowest point of a parabola in its logarithm
/// through three trials.
/// @param misfit  FocalPositions::misfit with an exponent, nothing where the fit is not trusted;
///                called at most three times
/// @return from 0.45 to 1: sharpening and the tone curves of cameras are steeper than the encoding
/// that files name, not flatter. 1 where a trial tells nothing.
[[nodiscard]] double find_light_exponent(
    const std::function<std::optional<double>(double exponent)>& misfit);

}  // namespace ringsweep
