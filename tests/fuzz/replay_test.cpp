// Every input of a fuzz target's corpus once more: a target keeps working, and what it found stays
// mended.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdint>
#include <filesystem>
#include <fstream>
#include <iterator>
#include <vector>

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace ringsweep {
namespace {

namespace fs = std::filesystem;

TEST(FuzzTarget, TakesEveryInputOfItsCorpus) {
  std::vector<fs::path> files;
  for (const char* folder : {RINGSWEEP_CORPUS})
    for (const auto& entry : fs::directory_iterator(folder)) files.push_back(entry.path());
  std::ranges::sort(files);
  ASSERT_FALSE(files.empty());
  for (const fs::path& file : files) {
    SCOPED_TRACE(file);
    std::ifstream in(file, std::ios::binary);
    const std::vector<char> bytes{std::istreambuf_iterator<char>(in),
                                  std::istreambuf_iterator<char>()};
    ASSERT_FALSE(in.bad());
    EXPECT_EQ(
        LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size()),
        0);
  }
}

TEST(FuzzTarget, TakesAnEmptyFile) { EXPECT_EQ(LLVMFuzzerTestOneInput(nullptr, 0), 0); }

}  // namespace
}  // namespace ringsweep
