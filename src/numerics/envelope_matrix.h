#pragma once
/// Symmetric matrices whose unknowns couple with their neighbours only.

#include <Eigen/Core>
#include <algorithm>
#include <cmath>
#include <cstddef>
#include <span>
#include <vector>

namespace ringsweep {

/// The lower half, each column from the diagonal down to its last row. These rows never rise from
/// one column to the next, so Cholesky's factor fills nothing outside.
class EnvelopeMatrix {
 public:
  EnvelopeMatrix() = default;
  /// @param last_row one a column, last_row[c] >= c, never falling. All numbers start at 0.
  explicit EnvelopeMatrix(std::span<const Eigen::Index> last_row) {
    for (std::size_t c = 0; c < last_row.size(); ++c)
      start_.push_back(start_.back() + last_row[c] - static_cast<Eigen::Index>(c) + 1);
    values_ = Eigen::VectorXd::Zero(start_.back());
  }

  [[nodiscard]] Eigen::Index size() const { return static_cast<Eigen::Index>(start_.size()) - 1; }
  /// Column c from the diagonal on.
  [[nodiscard]] auto column(Eigen::Index c) { return values_.segment(start(c), length(c)); }
  [[nodiscard]] auto column(Eigen::Index c) const { return values_.segment(start(c), length(c)); }
  /// Of the lower half, inside the envelope.
  [[nodiscard]] double& operator()(Eigen::Index row, Eigen::Index c) {
    return values_(start(c) + row - c);
  }
  [[nodiscard]] double operator()(Eigen::Index row, Eigen::Index c) const {
    return values_(start(c) + row - c);
  }
  void set_zero() { values_.setZero(); }
  EnvelopeMatrix& operator+=(const EnvelopeMatrix& of_the_same_shape) {
    values_ += of_the_same_shape.values_;
    return *this;
  }

  /// Becomes Cholesky's factor L of itself, L L^T. False where it is not positive definite.
  [[nodiscard]] bool factorise() {
    for (Eigen::Index first = 0; first < size(); first += kPanel) {
      const Eigen::Index behind = std::min(first + kPanel, size());
      for (Eigen::Index c = first; c < behind; ++c) {
        auto pivot = column(c);
        if (!(pivot(0) > 0.0)) return false;
        pivot /= std::sqrt(pivot(0));
        for (Eigen::Index k = 1; k < pivot.size() && c + k < behind; ++k)
          column(c + k).head(pivot.size() - k) -= pivot(k) * pivot.tail(pivot.size() - k);
      }
      take_off(first, behind);
    }
    return true;
  }
  /// Solves L L^T x = b, this being L; `b` becomes x.
  void solve_in_place(Eigen::Ref<Eigen::VectorXd> b) const {
    for (Eigen::Index c = 0; c < size(); ++c) {
      const auto l = column(c);
      const Eigen::Index below = l.size() - 1;
      b(c) /= l(0);
      b.segment(c + 1, below) -= b(c) * l.tail(below);
    }
    for (Eigen::Index c = size() - 1; c >= 0; --c) {
      const auto l = column(c);
      const Eigen::Index below = l.size() - 1;
      b(c) = (b(c) - l.tail(below).dot(b.segment(c + 1, below))) / l(0);
    }
  }

  /// With both halves.
  [[nodiscard]] Eigen::MatrixXd dense() const {
    Eigen::MatrixXd full = Eigen::MatrixXd::Zero(size(), size());
    for (Eigen::Index c = 0; c < size(); ++c) {
      full.col(c).segment(c, length(c)) = column(c);
      full.row(c).segment(c, length(c)) = column(c).transpose();
    }
    return full;
  }

 private:
  [[nodiscard]] Eigen::Index start(Eigen::Index c) const {
    return start_[static_cast<std::size_t>(c)];
  }
  [[nodiscard]] Eigen::Index length(Eigen::Index c) const { return start(c + 1) - start(c); }

  /// Takes the products of the factor's columns from `first` to before `behind` off those from
  /// there on.
  void take_off(Eigen::Index first, Eigen::Index behind) {
    const Eigen::Index last = behind - 1 + length(behind - 1) - 1;
    for (Eigen::Index target = behind; target <= last; ++target) {
      // Later columns reach farther down: together as far as the first does, then one by one.
      Eigen::Index together = target;
      if (behind - first == kPanel && first + length(first) > target) {
        together = first + length(first);
        take_off_four(first, target, together - target);
      }
      for (Eigen::Index c = first; c < behind; ++c)
        if (const Eigen::Index rows = c + length(c) - together; rows > 0)
          column(target).segment(together - target, rows) -=
              (*this)(target, c) * column(c).segment(together - c, rows);
    }
  }
  void take_off_four(Eigen::Index first, Eigen::Index target, Eigen::Index rows) {
    const double* __restrict l0 = &(*this)(target, first);
    const double* __restrict l1 = &(*this)(target, first + 1);
    const double* __restrict l2 = &(*this)(target, first + 2);
    const double* __restrict l3 = &(*this)(target, first + 3);
    double* __restrict to = &(*this)(target, target);
    const double f0 = l0[0], f1 = l1[0], f2 = l2[0], f3 = l3[0];
    for (Eigen::Index i = 0; i < rows; ++i)
      to[i] -= f0 * l0[i] + f1 * l1[i] + f2 * l2[i] + f3 * l3[i];
  }

  static constexpr Eigen::Index kPanel = 4;  // columns whose products are taken off in one pass
  std::vector<Eigen::Index> start_{0};       // of each column, and the end
  Eigen::VectorXd values_;
};

}  // namespace ringsweep
