#pragma once
/// Cauchy's robust loss.

#include <array>
#include <cmath>
#include <cstddef>
#include <span>

namespace ringsweep {

inline constexpr double kCauchy = 2.3849;  // 95 % efficiency on a normal distribution (from memory)

/// Weight of a residual in sigmas, 1 at 0.
[[nodiscard]] inline double cauchy_weight(double residual) {
  const double c = residual / kCauchy;
  return 1.0 / (1.0 + c * c);
}

/// Sum of the losses of residuals in sigmas; r^2 for small r. One logarithm for many residuals.
class CauchySum {
 public:
  void add(double residual) {
    const double c = residual / kCauchy;
    product_ *= 1.0 + c * c;
    if (product_ > 1e150) flush();
  }
  /// Many at once: residuals in units of kCauchy sigmas, each below some 1e4.
  void add_scaled(std::span<const float> scaled) {
    std::size_t i = 0;
    for (; i + 16 <= scaled.size(); i += 16) {
      std::array<double, 4> product{1.0, 1.0, 1.0, 1.0};
      for (std::size_t k = i; k < i + 16; k += 4)
        for (std::size_t lane = 0; lane < 4; ++lane) {
          const double c = static_cast<double>(scaled[k + lane]);
          product[lane] *= 1.0 + c * c;
        }
      product_ *= product[0] * product[1] * (product[2] * product[3]);
      if (product_ > 1e150) flush();
    }
    for (; i < scaled.size(); ++i) add(static_cast<double>(scaled[i]) * kCauchy);
  }
  [[nodiscard]] double value() const { return kCauchy * kCauchy * (sum_ + std::log(product_)); }

 private:
  void flush() { sum_ += std::log(product_), product_ = 1.0; }

  double sum_ = 0.0;
  double product_ = 1.0;
};

}  // namespace ringsweep
