// Against dense matrices of the same numbers, solved by Eigen's pivoting factorisation.
#include "numerics/envelope_matrix.h"

#include <gtest/gtest.h>

#include <Eigen/LU>
#include <algorithm>
#include <random>
#include <vector>

namespace ringsweep {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

/// Couplings of unlike reach, short and longer than the four columns that are taken together, one
/// column that couples with none, one that reaches the end.
const std::vector<Index> kLastRow{6, 6, 9, 9, 9, 9, 9, 9, 9, 9, 10, 13, 13, 14, 16, 16, 16};

EnvelopeMatrix positive_definite() {
  EnvelopeMatrix a(kLastRow);
  std::mt19937 random(7);
  std::uniform_real_distribution<double> draw(-1.0, 1.0);
  for (Index c = 0; c < a.size(); ++c)
    for (Index r = c; r <= kLastRow[static_cast<std::size_t>(c)]; ++r) a(r, c) = draw(random);
  for (Index c = 0; c < a.size(); ++c) a(c, c) += 10.0;  // more than the others of a row together
  return a;
}

TEST(EnvelopeMatrix, DenseHasBothHalvesAndNothingOutside) {
  const EnvelopeMatrix a = positive_definite();
  const MatrixXd full = a.dense();
  ASSERT_EQ(full.rows(), 17);
  EXPECT_EQ(full, full.transpose());
  for (Index c = 0; c < 17; ++c)
    for (Index r = c; r < 17; ++r)
      EXPECT_EQ(full(r, c), r <= kLastRow[static_cast<std::size_t>(c)] ? a(r, c) : 0.0);
}

TEST(EnvelopeMatrix, SolvesAsADenseMatrixDoes) {
  EnvelopeMatrix a = positive_definite();
  const VectorXd b = VectorXd::LinSpaced(17, -3.0, 5.0);
  const VectorXd expected = a.dense().fullPivLu().solve(b);
  ASSERT_TRUE(a.factorise());
  VectorXd x = b;
  a.solve_in_place(x);
  // Condition number below 10: rounding, 17 x 10 x 1e-16 of numbers about 1.
  EXPECT_LT((x - expected).cwiseAbs().maxCoeff(), 1e-13);
}

TEST(EnvelopeMatrix, AddsAndIsSetToZero) {
  EnvelopeMatrix a = positive_definite();
  const MatrixXd once = a.dense();
  a += positive_definite();
  EXPECT_EQ(a.dense(), MatrixXd(2.0 * once));
  a.set_zero();
  EXPECT_EQ(a.dense(), MatrixXd(MatrixXd::Zero(17, 17)));
}

TEST(EnvelopeMatrix, ToldWhereNotPositiveDefinite) {
  EnvelopeMatrix a = positive_definite();
  a(7, 7) = -1.0;
  EXPECT_FALSE(a.factorise());
}

}  // namespace
}  // namespace ringsweep
