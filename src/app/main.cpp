#include <iostream>
#if defined(__GLIBC__)
#include <malloc.h>
#endif

#include "app/command_line.h"
#include "app/console.h"

int main(int argc, char** argv) {
  using namespace ringsweep::app;
#if defined(__GLIBC__)
  // Pictures come and go by the dozen: keep their memory instead of giving it back to the kernel
  // and having it cleared again, page by page (a seventh of the time of a 20-megapixel burst).
  mallopt(M_MMAP_THRESHOLD, 256 << 20);
  mallopt(M_TRIM_THRESHOLD, 512 << 20);
#endif
  return run(argc, argv, console_of_this_process(std::cout, std::cerr), real_stages());
}
