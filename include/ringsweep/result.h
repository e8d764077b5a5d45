#pragma once
/// Errors of the input as values.
///
/// A file that is wrong is no exception: it is a value in a list, and the rest goes on. A caller
/// that is wrong gets std::invalid_argument; data that cannot tell are an answer with a status, no
/// Error.

#include <string>
#include <tl/expected.hpp>

namespace ringsweep {

/// One thing that is wrong with the input, in words a photographer can act on.
struct Error {
  std::string file;     ///< name of the file or folder as the user knows it
  std::string problem;  ///< what is wrong, without a full stop: "the picture data end too early"
  std::string remedy;   ///< what to do, without a full stop: "copy it again from the card"
};

/// "FILE: problem; remedy." on one line. Control characters in the file's name are replaced by '?'.
[[nodiscard]] std::string one_line(const Error& error);

template <class T>
using Result = tl::expected<T, Error>;

}  // namespace ringsweep
