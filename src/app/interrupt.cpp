#include "app/interrupt.h"

#include <semaphore.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <cerrno>
#include <chrono>
#include <condition_variable>
#include <csignal>
#include <mutex>
#include <ostream>
#include <thread>
#include <utility>

namespace ringsweep::app {
namespace {

constexpr std::array kSignals{SIGINT, SIGTERM, SIGHUP};
std::atomic<int> received = 0;  // read by other threads too
static_assert(std::atomic<int>::is_always_lock_free, "else no signal's handler may write it");

sem_t came;  // sem_post is one of the few calls that a signal's handler may make (POSIX, 2.4.3)

/// Once, before the first handler; never destroyed: a handler may be on its way at a guard's end.
void make_semaphore() {
  static const int made = sem_init(&came, 0, 0);
  static_cast<void>(made);
}

extern "C" void note_signal(int signal) {
  received = signal;
  sem_post(&came);
}

}  // namespace

/// Waits for a signal, then for the guard's end.
struct InterruptGuard::Watch {
  explicit Watch(std::string words) : last_words(std::move(words)) {
    make_semaphore();
    thread = std::thread([this] { run(); });
  }
  ~Watch() {
    {
      const std::scoped_lock lock(mutex);
      over = true;
    }
    changed.notify_all();
    sem_post(&came);
    thread.join();
  }
  Watch(const Watch&) = delete;
  Watch& operator=(const Watch&) = delete;

  void run() {
    constexpr std::chrono::milliseconds kPatience(650);  // to have ended within a second
    std::unique_lock lock(mutex, std::defer_lock);
    do {  // what an earlier guard left of the semaphore is used up
      if (lock.owns_lock()) lock.unlock();
      while (sem_wait(&came) != 0 && errno == EINTR) {
      }
      lock.lock();
      if (over) return;
    } while (received == 0);
    changed.wait_for(lock, kPatience, [this] { return over || writing; });
    if (over || writing) return;
    // With the lock held: nothing begins to be written meanwhile.
    if (tidy) tidy();
    const std::string line = "\n" + last_words;
    [[maybe_unused]] const ssize_t written =
        ::write(STDERR_FILENO, line.data(), line.size());  // the streams belong to other threads
    end_by_signal();
  }

  std::mutex mutex;
  std::condition_variable changed;
  bool over = false;
  bool writing = false;
  std::function<void()> tidy;
  const std::string last_words;
  std::thread thread;
};

InterruptGuard::InterruptGuard(std::string last_words) {
  received = 0;
  watch_ = std::make_unique<Watch>(std::move(last_words));
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

void InterruptGuard::tidy_by(std::function<void()> tidy) {
  const std::scoped_lock lock(watch_->mutex);
  watch_->tidy = std::move(tidy);
}

void InterruptGuard::begin_writing() {
  {
    const std::scoped_lock lock(watch_->mutex);
    watch_->writing = true;
  }
  watch_->changed.notify_all();
}

void InterruptGuard::end_writing() {
  const std::scoped_lock lock(watch_->mutex);
  watch_->writing = false;
}

bool InterruptGuard::interrupted() { return received != 0; }

int run_interruptibly(const std::string& last_words, std::ostream& err,
                      const std::function<int(InterruptGuard&)>& command) {
  int status = kStopped;
  {
    InterruptGuard guard(last_words);
    status = command(guard);
    guard.begin_writing();  // its own last words, and no others
    if (status == kStopped) err << last_words << std::flush;
  }
  return InterruptGuard::interrupted() ? end_by_signal() : status;
}

int end_by_signal() {
  const int signal = received;
  if (signal == 0) return 0;
  std::signal(signal, SIG_DFL);
  std::raise(signal);
  constexpr int kEndedBySignal =
      128;  // what a shell reports; only reached if the signal is blocked
  return kEndedBySignal + signal;
}

}  // namespace ringsweep::app
