#pragma once
/// A folder of a test's own, removed at its end.

#include <stdlib.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>
#include <stdexcept>
#include <string>
#include <vector>

namespace ringsweep::testing_app {

namespace fs = std::filesystem;

class ScratchFolder {
 public:
  ScratchFolder() {
    std::string name = (fs::temp_directory_path() / "ringsweep-test-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("no temporary folder");
    path_ = fs::canonical(name);
  }
  ~ScratchFolder() {
    std::error_code ignored;
    fs::remove_all(path_, ignored);
  }
  ScratchFolder(const ScratchFolder&) = delete;
  ScratchFolder& operator=(const ScratchFolder&) = delete;

  [[nodiscard]] fs::path operator/(const fs::path& name) const { return path_ / name; }
  [[nodiscard]] const fs::path& path() const { return path_; }

  /// Writes a file, and the folders it needs.
  fs::path put(const fs::path& name, const std::string& text = "x") const {
    fs::create_directories((path_ / name).parent_path());
    std::ofstream(path_ / name, std::ios::binary) << text;
    return path_ / name;
  }

 private:
  fs::path path_;
};

inline std::string read_file(const fs::path& file) {
  std::ostringstream text;
  text << std::ifstream(file, std::ios::binary).rdbuf();
  return text.str();
}

/// Copies the JPEGs of a folder into another, which is made.
inline void copy_jpegs(const fs::path& from, const fs::path& to) {
  fs::create_directories(to);
  for (const auto& entry : fs::directory_iterator(from))
    if (entry.path().extension() == ".JPG")
      fs::copy_file(entry.path(), to / entry.path().filename());
}

/// Every path under a folder with its size and time of change: to see that nothing was touched.
inline std::vector<std::string> listing(const fs::path& folder) {
  std::vector<std::string> lines;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    std::ostringstream line;
    line << entry.path().string() << ' ' << entry.last_write_time().time_since_epoch().count();
    if (entry.is_regular_file()) line << ' ' << entry.file_size();
    lines.push_back(line.str());
  }
  std::sort(lines.begin(), lines.end());
  return lines;
}

/// The same with permissions and contents.
inline std::vector<std::string> listing_with_contents(const fs::path& folder) {
  std::vector<std::string> lines = listing(folder);
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    std::ostringstream line;
    line << entry.path().string() << ' ' << static_cast<int>(entry.status().permissions());
    if (entry.is_regular_file()) line << ' ' << read_file(entry.path());
    lines.push_back(line.str());
  }
  std::sort(lines.begin(), lines.end());
  return lines;
}

/// Sets an environment variable, or takes it away (nullptr), until the end of the scope.
class Environment {
 public:
  Environment(const char* name, const char* value) : name_(name) {
    const char* before = getenv(name);
    had_ = before != nullptr;
    if (had_) before_ = before;
    set(value);
  }
  ~Environment() { set(had_ ? before_.c_str() : nullptr); }
  Environment(const Environment&) = delete;
  Environment& operator=(const Environment&) = delete;

 private:
  void set(const char* value) const {
    if (value == nullptr) {
      unsetenv(name_.c_str());
    } else {
      setenv(name_.c_str(), value, 1);
    }
  }
  std::string name_;
  std::string before_;
  bool had_ = false;
};

/// Makes a folder the current one until the end of the scope.
class CurrentFolder {
 public:
  explicit CurrentFolder(const fs::path& folder) : before_(fs::current_path()) {
    fs::current_path(folder);
  }
  ~CurrentFolder() {
    std::error_code ignored;
    fs::current_path(before_, ignored);
  }
  CurrentFolder(const CurrentFolder&) = delete;
  CurrentFolder& operator=(const CurrentFolder&) = delete;

 private:
  fs::path before_;
};

}  // namespace ringsweep::testing_app
