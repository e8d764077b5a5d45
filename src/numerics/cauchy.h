#pragma once
/// Cauchy's robust loss.

#include <cmath>

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
  [[nodiscard]] double value() const { return kCauchy * kCauchy * (sum_ + std::log(product_)); }

 private:
  void flush() { sum_ += std::log(product_), product_ = 1.0; }

  double sum_ = 0.0;
  double product_ = 1.0;
};

}  // namespace ringsweep
