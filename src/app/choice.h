#pragma once
/// Choice: an option that takes one of a few words.

#include <CLI/CLI.hpp>
#include <map>
#include <string>
#include <vector>

namespace ringsweep::app {

/// An option that takes one of a few words, each of which stands for a value of `target`.
template <class Value, class Target>
CLI::Option* add_choice(CLI::App& command, const std::string& name, Target& target,
                        const std::map<std::string, Value>& words, const std::string& help) {
  std::vector<std::string> names;
  for (const auto& [word, value] : words) names.push_back(word);
  return command
      .add_option_function<std::string>(
          name, [&target, words](const std::string& word) { target = words.at(word); }, help)
      ->check(CLI::IsMember(names));
}

}  // namespace ringsweep::app
