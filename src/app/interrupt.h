#pragma once
/// Interrupt: Ctrl-C ends the tool cleanly at the next step; a second one ends it at once.

namespace ringsweep::app {

/// While one lives, SIGINT, SIGTERM and SIGHUP are noted instead of ending the process.
class InterruptGuard {
 public:
  InterruptGuard();
  ~InterruptGuard();
  InterruptGuard(const InterruptGuard&) = delete;
  InterruptGuard& operator=(const InterruptGuard&) = delete;

  /// Whether a signal has come since the guard was made.
  [[nodiscard]] static bool interrupted();
};

/// Ends the process by the signal that came, as its parent expects of a program that was
/// interrupted. Returns 0 if none came.
int end_by_signal();

}  // namespace ringsweep::app
