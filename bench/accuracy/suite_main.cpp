/// ringsweep-suite: the accuracy table over many made bursts. All options, printing and writing of
/// this program are here.

#include <fmt/core.h>

#include <cstdio>
#include <exception>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <optional>
#include <stdexcept>
#include <string>
#include <string_view>
#include <system_error>
#include <vector>

#include "maker/suite.h"
#include "suite_run.h"
#include "table.h"

namespace {

namespace fs = std::filesystem;
namespace accuracy = ringsweep::accuracy;
namespace maker = ringsweep::maker;

constexpr std::string_view kHelp =
    R"(ringsweep-suite [--size few|quick|full|wide] [--seeds open|held-back|both] [--out DIR]
                [--only NAME] [--keep]

Makes the bursts of the suite one after the other, analyses each as `ringsweep check` does, compares
with the truth, and deletes the pictures.

--size   how many bursts: few (as in the tests; the default), quick, full,
         or wide (nine times as many, for one group at a time: --only)
--seeds  open (the default): for work on the method. held-back: for the figures that are published
--out    folder for report.txt, table.json, table.csv and bursts.csv (default: accuracy-table)
--only   the bursts whose name or group is NAME
--keep   leave the pictures and truths in DIR/bursts
Exit status 0: the table is written, whatever is in it. 1: a burst has no answer. 2: neither.
)";

struct Wishes {
  std::string size = "few";
  std::string seeds = "open";
  fs::path out = "accuracy-table";
  std::string only;
  bool keep = false;
};

/// @throws std::invalid_argument  the words make no sense
Wishes read_wishes(const std::vector<std::string>& words) {
  Wishes wishes;
  for (std::size_t i = 0; i < words.size(); ++i) {
    const std::string& word = words[i];
    if (word == "--keep") {
      wishes.keep = true;
      continue;
    }
    if (i + 1 == words.size()) throw std::invalid_argument(word + " is not understood");
    const std::string& value = words[++i];
    if (word == "--size") {
      wishes.size = value;
    } else if (word == "--seeds") {
      wishes.seeds = value;
    } else if (word == "--out") {
      wishes.out = value;
    } else if (word == "--only") {
      wishes.only = value;
    } else {
      throw std::invalid_argument(word + " is not understood");
    }
  }
  return wishes;
}

maker::SuiteSize size_of(const std::string& word) {
  if (word == "few") return maker::SuiteSize::few;
  if (word == "quick") return maker::SuiteSize::quick;
  if (word == "full") return maker::SuiteSize::full;
  if (word == "wide") return maker::SuiteSize::wide;
  throw std::invalid_argument("--size is few, quick, full or wide");
}

std::vector<maker::SuiteCase> wished(const Wishes& wishes) {
  if (wishes.seeds != "open" && wishes.seeds != "held-back" && wishes.seeds != "both") {
    throw std::invalid_argument("--seeds is open, held-back or both");
  }
  std::vector<maker::SuiteCase> all = maker::suite(size_of(wishes.size));
  std::erase_if(all, [&](const maker::SuiteCase& one) {
    const bool of_seeds = wishes.seeds == "both" || one.held_back == (wishes.seeds == "held-back");
    const bool named =
        wishes.only.empty() || one.name == wishes.only || maker::name_of(one.group) == wishes.only;
    return !of_seeds || !named;
  });
  if (all.empty()) throw std::invalid_argument("no burst of these is called " + wishes.only);
  return all;
}

void write(const fs::path& file, const std::string& text) {
  std::ofstream out(file, std::ios::binary | std::ios::trunc);
  out << text;
  out.close();
  if (!out) throw std::runtime_error(file.string() + " cannot be written");
}

/// Also while bursts are still being made, so that a long run that is stopped leaves a table.
void write_all(const Wishes& wishes, const std::vector<accuracy::Case>& cases,
               const std::string& head) {
  const std::vector<accuracy::Table> tables = accuracy::make_tables(cases);
  write(wishes.out / "report.txt", accuracy::table_text(tables, head));
  write(wishes.out / "table.json", accuracy::table_json(tables, head).dump(1) + "\n");
  write(wishes.out / "table.csv", accuracy::table_csv(tables));
  write(wishes.out / "bursts.csv", accuracy::bursts_csv(cases));
}

int run(const Wishes& wishes) {
  const std::vector<maker::SuiteCase> suite = wished(wishes);
  fs::create_directories(wishes.out);
  std::optional<accuracy::TemporaryFolder> temporary;
  if (!wishes.keep) temporary.emplace();
  const fs::path pictures = wishes.keep ? wishes.out / "bursts" : temporary->path();
  const std::string head =
      fmt::format("accuracy table, suite {}, seeds {}", wishes.size, wishes.seeds);
  std::vector<accuracy::Case> cases;
  std::size_t failed = 0;
  for (const maker::SuiteCase& one : suite) {
    const fs::path folder = pictures / one.name;
    cases.push_back(accuracy::run_case(one.name, maker::name_of(one.group), one.recipe, folder));
    if (!wishes.keep) {
      std::error_code ignored;
      fs::remove_all(folder, ignored);
    }
    const accuracy::Case& c = cases.back();
    failed += c.failed.empty() ? 0U : 1U;
    fmt::print(stderr, "{} of {}  {}  {}\n", cases.size(), suite.size(), c.name,
               !c.failed.empty()       ? "failed: " + c.failed
               : c.ours->verdict_right ? "right"
                                       : c.ours->verdict_said + ", is " + c.verdict_true);
    constexpr std::size_t kWriteEvery = 20;
    if (cases.size() % kWriteEvery == 0) write_all(wishes, cases, head + " (not finished)");
  }
  write_all(wishes, cases, head);
  const std::vector<accuracy::Table> tables = accuracy::make_tables(cases);
  fmt::print("{}", accuracy::table_text(tables, head));
  return failed > 0 ? 1 : 0;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  if (!words.empty() && (words[0] == "--help" || words[0] == "-h")) {
    fmt::print("{}", kHelp);
    return 0;
  }
  try {
    return run(read_wishes(words));
  } catch (const std::exception& error) {
    fmt::print(stderr, "{}.\n", error.what());
    return 2;
  }
}
