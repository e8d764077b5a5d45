// Calls the analysis on five empty pictures: it must answer, and the answer must be "cannot tell".
#include <ringsweep/analyse.h>
#include <ringsweep/decode.h>
#include <ringsweep/report.h>

#include <iostream>

int main() {
  ringsweep::Burst burst;
  burst.folder = "made-up";
  for (const char* file : {"0001.jpg", "0002.jpg", "0003.jpg", "0004.jpg", "0005.jpg"}) {
    ringsweep::FrameRef frame;
    frame.path = frame.file = file;  // no such file: every frame is unreadable
    burst.frames.push_back(frame);
  }
  const auto read = [](const ringsweep::FrameRef& frame, int reduction) {
    return ringsweep::decode(frame, {.reduction = reduction});
  };
  const auto bursts = ringsweep::analyse(burst, read);
  if (bursts.size() != 1) return 1;
  std::cout << ringsweep::summary_text(bursts[0]);
  return ringsweep::report_json(bursts)["bursts"][0]["verdict"] == "cannot-tell" ? 0 : 1;
}
