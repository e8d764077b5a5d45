#include <iostream>

#include "app/command_line.h"
#include "app/console.h"

int main(int argc, char** argv) {
  using namespace ringsweep::app;
  return run(argc, argv, console_of_this_process(std::cout, std::cerr), real_stages());
}
