#include "app/user_folders.h"

#include <pwd.h>
#include <unistd.h>

#include <cstdlib>

namespace ringsweep::app {

namespace fs = std::filesystem;

std::optional<fs::path> user_folder(const char* variable, const fs::path& below_home) {
  // "All paths set in these environment variables must be absolute": else to be ignored.
  const char* set = std::getenv(variable);
  if (set != nullptr && fs::path(set).is_absolute()) return fs::path(set);
  const char* home = std::getenv("HOME");
  if (home != nullptr && fs::path(home).is_absolute()) return fs::path(home) / below_home;
  const passwd* user = getpwuid(getuid());
  if (user != nullptr && user->pw_dir != nullptr && fs::path(user->pw_dir).is_absolute())
    return fs::path(user->pw_dir) / below_home;
  return std::nullopt;
}

}  // namespace ringsweep::app
