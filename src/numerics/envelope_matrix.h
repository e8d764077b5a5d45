#pragma once
/// Symmetric matrices whose unknowns couple with their neighbours only.

#include <Eigen/Core>
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
    for (Eigen::Index c = 0; c < size(); ++c) {
      auto pivot = column(c);
      if (!(pivot(0) > 0.0)) return false;
      pivot /= std::sqrt(pivot(0));
      for (Eigen::Index k = 1; k < pivot.size(); ++k)
        column(c + k).head(pivot.size() - k) -= pivot(k) * pivot.tail(pivot.size() - k);
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

  std::vector<Eigen::Index> start_{0};  // of each column, and the end
  Eigen::VectorXd values_;
};

}  // namespace ringsweep
