#include "ringsweep/result.h"

#include <gtest/gtest.h>

namespace ringsweep {
namespace {

TEST(OneLine, NamesFileProblemAndRemedy) {
  EXPECT_EQ(one_line({"DSC01207.JPG", "the picture data end too early", "copy it again"}),
            "DSC01207.JPG: the picture data end too early; copy it again.");
  EXPECT_EQ(one_line({"DSC01207.JPG", "it is empty", ""}), "DSC01207.JPG: it is empty.");
}

// A name may hold a line break or a sequence that reprograms a terminal (ECMA-48: ESC [ and its
// one-byte form U+009B).
TEST(OneLine, AHostileNameStaysOneLine) {
  EXPECT_EQ(one_line({"a\nb\x1B[2Jc\xC2\x9B"
                      "d\x7F",
                      "p", ""}),
            "a?b?[2Jc?d?: p.");
  EXPECT_EQ(one_line({"K\xC3\xA4"
                      "fer.JPG",
                      "p", ""}),
            "K\xC3\xA4"
            "fer.JPG: p.");
}

}  // namespace
}  // namespace ringsweep
