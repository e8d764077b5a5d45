#include "maker/wave.h"

#include <math.h>  // j1 is POSIX, not C++

#include <algorithm>
#include <array>
#include <cmath>
#include <numbers>
#include <opencv2/core.hpp>
#include <stdexcept>

namespace ringsweep::maker {
namespace {

constexpr double kPi = std::numbers::pi;

/// Gauss-Legendre nodes and weights on [-1, 1] (Abramowitz and Stegun 25.4.29), by Newton's method.
constexpr int kNodes = 16;
struct GaussLegendre {
  std::array<double, kNodes> node{}, weight{};
  GaussLegendre() {
    for (int i = 0; i < kNodes; ++i) {
      double x = std::cos(kPi * (i + 0.75) / (kNodes + 0.5)), slope = 0.0;
      for (int round = 0; round < 20; ++round) {
        double before = 1.0, value = x;
        for (int n = 2; n <= kNodes; ++n) {
          const double next = ((2.0 * n - 1.0) * x * value - (n - 1.0) * before) / n;
          before = value;
          value = next;
        }
        slope = kNodes * (x * value - before) / (x * x - 1.0);
        x -= value / slope;
      }
      node[static_cast<std::size_t>(i)] = x;
      weight[static_cast<std::size_t>(i)] = 2.0 / ((1.0 - x * x) * slope * slope);
    }
  }
};

/// Calls use(x, weight) for the nodes of `panels` equal panels of [0, end].
template <class Use>
void integrate(double end, int panels, Use use) {
  static const GaussLegendre rule;
  const double half = end / panels / 2.0;
  for (int p = 0; p < panels; ++p) {
    for (std::size_t i = 0; i < kNodes; ++i) {
      use(half * (2.0 * p + 1.0 + rule.node[i]), half * rule.weight[i]);
    }
  }
}

/// Transfer function of a disc of unit diameter times frequency: 2 J1(x) / x.
double disc_otf(double radius_times_frequency) {
  const double x = 2.0 * kPi * radius_times_frequency;
  return x < 1e-6 ? 1.0 : 2.0 * ::j1(x) / x;
}

double disc_energy(double radius, double within) {
  return radius <= within ? 1.0 : (within / radius) * (within / radius);
}

/// Least squares with few columns: picks one after the other, each time the one that leaves least,
/// then lets single ones change places with better ones. Works on the products of the columns with
/// each other and with what is wanted; taking a column in is a Gauss-Jordan step (the sweep
/// operator: J. H. Goodnight, The American Statistician 33, 1979; from memory).
class Picker {
 public:
  Picker(const cv::Mat& columns, const cv::Mat& wanted) : last_(columns.cols) {
    cv::Mat all;
    cv::hconcat(columns, wanted, all);
    products_ = all.t() * all;
    for (int c = 0; c < last_; ++c) size_.push_back(products_.at<double>(c, c));
  }

  std::vector<int> pick(int most) {
    for (int k = 0; k < most; ++k) take_best();
    constexpr int kRounds = 4;
    for (int round = 0; round < kRounds; ++round) {
      const std::vector<int> before = picked_;
      for (const int c : before) {
        picked_.erase(std::ranges::find(picked_, c));
        sweep(c);
        take_best();
      }
      if (picked_ == before) break;
    }
    return picked_;
  }

 private:
  void take_best() {
    int best = -1;
    double most_removed = 0.0;
    for (int c = 0; c < last_; ++c) {
      if (std::ranges::find(picked_, c) != picked_.end()) continue;
      const double norm = products_.at<double>(c, c), along = products_.at<double>(c, last_);
      // What is left of a column that the others make up already is rounding.
      if (norm < 1e-9 * size_[static_cast<std::size_t>(c)]) continue;
      if (along * along / norm > most_removed) {
        most_removed = along * along / norm;
        best = c;
      }
    }
    if (best < 0) return;
    sweep(best);
    picked_.push_back(best);
  }

  /// Takes a column in, or out again.
  void sweep(int k) {
    const double pivot = products_.at<double>(k, k);
    const cv::Mat row = products_.row(k).clone(), column = products_.col(k).clone();
    products_ -= column * row / pivot;
    const bool out = std::signbit(pivot);
    cv::Mat(row / pivot * (out ? -1.0 : 1.0)).copyTo(products_.row(k));
    cv::Mat(column / pivot * (out ? -1.0 : 1.0)).copyTo(products_.col(k));
    products_.at<double>(k, k) = -1.0 / pivot;
  }

  int last_;
  cv::Mat products_;
  std::vector<double> size_;
  std::vector<int> picked_;
};

}  // namespace

double defocused_otf(double s, double waves) {
  if (s >= 1.0) return 0.0;
  s = std::max(0.0, s);
  // Two pupils 2 s apart, in radii: the phases differ by 8 pi waves s x along the way between
  // them. x + s = cos t takes the root out of the integrand.
  const int panels = 1 + static_cast<int>(std::abs(waves));
  double sum = 0.0;
  integrate(std::acos(s), panels, [&](double t, double weight) {
    const double sine = std::sin(t);
    sum += weight * sine * sine * std::cos(8.0 * kPi * waves * s * (std::cos(t) - s));
  });
  return 4.0 / kPi * sum;
}

std::vector<double> encircled_energy(const std::vector<double>& radius, double waves) {
  std::vector<double> energy(radius.size());
  if (radius.empty()) return energy;
  const double farthest = *std::ranges::max_element(radius);
  // J1 and the transfer function go through farthest + 4 waves cycles over the whole range.
  const int panels = 2 + static_cast<int>((farthest + 4.0 * std::abs(waves)) / 3.0);
  integrate(1.0, panels, [&](double s, double weight) {
    const double h = weight * defocused_otf(s, waves);
    for (std::size_t i = 0; i < radius.size(); ++i)
      energy[i] += h * ::j1(2.0 * kPi * s * radius[i]);
  });
  for (std::size_t i = 0; i < radius.size(); ++i) energy[i] *= 2.0 * kPi * radius[i];
  return energy;
}

std::vector<WeightedDisc> wave_discs(double diameter_px, double lambda_n_px) {
  if (!(diameter_px >= 0.0) || !(lambda_n_px > 0.0) || !std::isfinite(diameter_px / lambda_n_px)) {
    throw std::invalid_argument("wave_discs: a diameter or a wavelength is impossible");
  }
  const double waves = diameter_px / lambda_n_px / 8.0;
  const double disc = diameter_px / lambda_n_px / 2.0;  // radius, of lambda N
  // Samples and candidates are dense where the light is, sparse in the tail.
  std::vector<double> sample, candidate;
  const double core = disc + 2.5;
  const int inside = std::clamp(static_cast<int>(core / 0.1), 60, 160);
  for (int i = 1; i <= inside; ++i) sample.push_back(core * i / inside);
  for (int i = 1; i <= 40; ++i) sample.push_back(core + (kFarthest - 2.5) * i / 40.0);
  for (int i = 1; i <= 50; ++i) candidate.push_back(core * i / 50.0);
  for (const double more : {3.0, 4.0, 5.5, 7.5, kFarthest - 2.5}) candidate.push_back(core + more);

  // Frequencies the raster cannot show do not matter, nor those far above the last that passes.
  constexpr int kFrequencies = 100;
  const double top = std::min(2.5, 0.75 * lambda_n_px);
  const int rows = static_cast<int>(sample.size()) + kFrequencies + 1;
  const int columns = static_cast<int>(candidate.size());
  cv::Mat a(rows, columns, CV_64F), b(rows, 1, CV_64F);
  const std::vector<double> energy = encircled_energy(sample, waves);
  for (int r = 0; r < rows; ++r) {
    double* row = a.ptr<double>(r);
    const auto i = static_cast<std::size_t>(r);
    const double s = top * (r + 1 - static_cast<int>(sample.size())) / kFrequencies;
    if (r == rows - 1) {  // all light, to 1e-4 of it; the rest is scaled in
      constexpr double kAllLight = 10.0;
      for (int c = 0; c < columns; ++c) row[c] = kAllLight;
      b.at<double>(r) = kAllLight;
    } else if (i < sample.size()) {
      for (int c = 0; c < columns; ++c) {
        row[c] = disc_energy(candidate[static_cast<std::size_t>(c)], sample[i]);
      }
      b.at<double>(r) = energy[i];
    } else {
      for (int c = 0; c < columns; ++c) {
        row[c] = disc_otf(candidate[static_cast<std::size_t>(c)] * s);
      }
      b.at<double>(r) = defocused_otf(s, waves);
    }
  }
  const std::vector<int> picked = Picker(a, b).pick(kMostDiscs);
  cv::Mat chosen(rows, static_cast<int>(picked.size()), CV_64F), weights;
  for (std::size_t k = 0; k < picked.size(); ++k) {
    a.col(picked[k]).copyTo(chosen.col(static_cast<int>(k)));
  }
  cv::solve(chosen, b, weights, cv::DECOMP_QR);
  const double sum = cv::sum(weights)[0];
  std::vector<WeightedDisc> discs;
  for (std::size_t k = 0; k < picked.size(); ++k) {
    discs.push_back({candidate[static_cast<std::size_t>(picked[k])] * lambda_n_px,
                     weights.at<double>(static_cast<int>(k)) / sum});
  }
  return discs;
}

}  // namespace ringsweep::maker
