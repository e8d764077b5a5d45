#pragma once
/// Interrupt: Ctrl-C ends the tool cleanly at the next step, or within a second where that step is
/// long; a second one ends it at once.

#include <functional>
#include <iosfwd>
#include <memory>
#include <string>
#include <utility>

namespace ringsweep::app {

/// While one lives, SIGINT, SIGTERM and SIGHUP are noted instead of ending the process. Where the
/// guard still lives two thirds of a second later, and nothing is being written, the process is
/// tidied up and ended from a thread of the guard's own. One at a time.
class InterruptGuard {
 public:
  /// @param last_words  what is printed on standard error at such an end
  explicit InterruptGuard(std::string last_words);
  ~InterruptGuard();
  InterruptGuard(const InterruptGuard&) = delete;
  InterruptGuard& operator=(const InterruptGuard&) = delete;

  /// Whether a signal has come since the guard was made.
  [[nodiscard]] static bool interrupted();

  /// Until the end of its scope, what takes away what was put on the disk so far.
  class Tidying {
   public:
    Tidying(InterruptGuard& guard, std::function<void()> tidy) : guard_(guard) {
      guard_.tidy_by(std::move(tidy));
    }
    ~Tidying() { guard_.tidy_by({}); }
    Tidying(const Tidying&) = delete;
    Tidying& operator=(const Tidying&) = delete;

   private:
    InterruptGuard& guard_;
  };
  /// From here on files are written: the end waits for the next step, which is never far.
  void begin_writing();
  /// And from here on no more; a signal that came meanwhile is heeded by whoever asks for it.
  void end_writing();

 private:
  void tidy_by(std::function<void()> tidy);

  struct Watch;
  std::unique_ptr<Watch> watch_;
};

/// In place of an exit status: the command was stopped by a signal.
inline constexpr int kStopped = -1;

/// Runs a command under a guard. Where a signal came, its last words are printed if it was stopped
/// by it, and the process ends by the signal, also where what it wrote is there, whole.
/// @param command  returns kStopped where it was
/// @return the command's status where no signal came
[[nodiscard]] int run_interruptibly(const std::string& last_words, std::ostream& err,
                                    const std::function<int(InterruptGuard&)>& command);

/// Ends the process by the signal that came, as its parent expects of a program that was
/// interrupted. Returns 0 if none came.
int end_by_signal();

}  // namespace ringsweep::app
