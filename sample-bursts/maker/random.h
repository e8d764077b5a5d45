#pragma once
/// Random numbers that are the same on every machine and for every number of threads: each value is
/// a hash of what it belongs to (seed, frame, pixel), never the next one of a shared stream.

#include <cstdint>

namespace ringsweep::maker {

/// Finaliser of SplitMix64 (Steele, Lea, Flood 2014; constants from memory).
[[nodiscard]] constexpr std::uint64_t hash(std::uint64_t x) {
  x += 0x9E3779B97F4A7C15ULL;
  x = (x ^ (x >> 30U)) * 0xBF58476D1CE4E5B9ULL;
  x = (x ^ (x >> 27U)) * 0x94D049BB133111EBULL;
  return x ^ (x >> 31U);
}

[[nodiscard]] constexpr std::uint64_t hash(std::uint64_t a, std::uint64_t b) {
  return hash(hash(a) ^ (b * 0xD6E8FEB86659FD93ULL));
}

/// Standard normal deviate, near enough for sensor noise: the sum of four uniform ones, cut
/// at 3.46.
[[nodiscard]] constexpr float normal_from_hash(std::uint64_t h) {
  const auto part = [h](unsigned shift) { return static_cast<float>((h >> shift) & 0xFFFFU); };
  const float sum = part(0) + part(16) + part(32) + part(48);
  // Each part has variance (65536^2 - 1) / 12, four of them a third of 65536^2; 131070 is the mean.
  return (sum - 131070.0F) * (1.7320508F / 65536.0F);
}

/// A counted stream for what is drawn one after the other: poses of legs, steps of the hand.
class Stream {
 public:
  explicit constexpr Stream(std::uint64_t seed) : seed_(hash(seed)) {}

  [[nodiscard]] constexpr std::uint64_t next() { return hash(seed_, ++count_); }
  /// Uniform in [low, high).
  [[nodiscard]] constexpr float uniform(float low = 0.0F, float high = 1.0F) {
    return low + (high - low) * static_cast<float>(next() >> 40U) * 0x1p-24F;
  }
  [[nodiscard]] constexpr float normal() { return normal_from_hash(next()); }

 private:
  std::uint64_t seed_;
  std::uint64_t count_ = 0;
};

}  // namespace ringsweep::maker
