#pragma once
/// One burst of the suite from its recipe to its scores. Pictures are made and read here.

#include <filesystem>
#include <string>

#include "maker/recipe.h"
#include "table.h"

namespace ringsweep::accuracy {

/// Makes the burst in `folder`, analyses it as `ringsweep check` does, and the naive way, and
/// scores both. What goes wrong is in Case::failed; nothing is thrown for it.
[[nodiscard]] Case run_case(const std::string& name, const std::string& group,
                            const maker::Recipe& recipe, const std::filesystem::path& folder);

/// A new folder for pictures, gone with all that is in it at the end.
class TemporaryFolder {
 public:
  /// @throws std::runtime_error  the folder cannot be made
  TemporaryFolder();
  ~TemporaryFolder();
  TemporaryFolder(const TemporaryFolder&) = delete;
  TemporaryFolder& operator=(const TemporaryFolder&) = delete;
  [[nodiscard]] const std::filesystem::path& path() const { return path_; }

 private:
  std::filesystem::path path_;
};

}  // namespace ringsweep::accuracy
