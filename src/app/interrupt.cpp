#include "app/interrupt.h"

#include <array>
#include <csignal>

namespace ringsweep::app {
namespace {

constexpr std::array kSignals{SIGINT, SIGTERM, SIGHUP};
volatile std::sig_atomic_t received = 0;

extern "C" void note_signal(int signal) { received = signal; }

}  // namespace

InterruptGuard::InterruptGuard() {
  received = 0;
  struct sigaction action {};
  action.sa_handler = note_signal;
  // Once only: whoever presses twice does not want to wait for the next step.
  action.sa_flags = static_cast<int>(SA_RESETHAND);
  sigemptyset(&action.sa_mask);
  for (const int signal : kSignals) {
    struct sigaction present {};
    // A signal that the parent wants ignored (nohup) stays ignored.
    if (sigaction(signal, nullptr, &present) == 0 && present.sa_handler == SIG_IGN) continue;
    sigaction(signal, &action, nullptr);
  }
}

InterruptGuard::~InterruptGuard() {
  for (const int signal : kSignals) {
    struct sigaction present {};
    if (sigaction(signal, nullptr, &present) == 0 && present.sa_handler == note_signal) {
      std::signal(signal, SIG_DFL);
    }
  }
}

bool InterruptGuard::interrupted() { return received != 0; }

int end_by_signal() {
  if (received == 0) return 0;
  const int signal = received;
  std::signal(signal, SIG_DFL);
  std::raise(signal);
  constexpr int kEndedBySignal =
      128;  // what a shell reports; only reached if the signal is blocked
  return kEndedBySignal + signal;
}

}  // namespace ringsweep::app
