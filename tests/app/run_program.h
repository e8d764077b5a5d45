#pragma once
/// The program as a shell starts it.

#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "app/scratch_folder.h"

namespace ringsweep::testing_app {

struct Ran {
  int status = -1;  ///< exit status; 128 + the signal that ended it
  std::string out;
  std::string err;
  double peak_bytes = 0.0;  ///< of resident memory
};

/// Starts the program with its two outputs in files, none of them a terminal.
/// @param cache  XDG_CACHE_HOME; usually a place where nothing can be kept, so that each run
/// measures
inline pid_t start(const ScratchFolder& logs, std::vector<std::string> arguments,
                   const std::string& cache = "/dev/null") {
  arguments.insert(arguments.begin(), RINGSWEEP_EXECUTABLE);
  const std::string out = (logs / "out").string();
  const std::string err = (logs / "err").string();
  std::vector<char*> argv;
  for (std::string& argument : arguments) argv.push_back(argument.data());
  argv.push_back(nullptr);
  const pid_t child = fork();
  if (child == 0) {
    if (setenv("XDG_CACHE_HOME", cache.c_str(), 1) != 0) _exit(126);
    if (freopen(out.c_str(), "w", stdout) == nullptr ||
        freopen(err.c_str(), "w", stderr) == nullptr)
      _exit(126);
    execv(argv[0], argv.data());
    _exit(127);
  }
  return child;
}

inline Ran finish(const ScratchFolder& logs, pid_t child) {
  int status = 0;
  rusage used{};
  wait4(child, &status, 0, &used);
  constexpr double kKibibyte = 1024.0;  // Linux's unit of ru_maxrss: getrusage(2)
  return {.status = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status),
          .out = read_file(logs / "out"),
          .err = read_file(logs / "err"),
          .peak_bytes = kKibibyte * static_cast<double>(used.ru_maxrss)};
}

inline Ran ringsweep(const std::vector<std::string>& arguments,
                     const std::string& cache = "/dev/null") {
  const ScratchFolder logs;
  return finish(logs, start(logs, arguments, cache));
}

}  // namespace ringsweep::testing_app
