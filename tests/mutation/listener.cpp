// Runs the tests; with MUTANT=reach tells for each test which mutants it reaches, and how much time
// of a processor it took: `REACH name milliseconds id id ...`. What is reached before the first
// test, the tables, is reached by `all`.

#include <gtest/gtest.h>

#include <cstdio>
#include <ctime>
#include <string>

#include "switch.h"

namespace {

void tell(const std::string& name, int milliseconds) {
  std::printf("REACH %s %d", name.c_str(), milliseconds);
  for (std::size_t id = 0; id < mutation::reached.size(); ++id) {
    if (mutation::reached[id]) std::printf(" %zu", id);
  }
  std::printf("\n");
  mutation::reached.fill(false);
}

class Reach : public testing::EmptyTestEventListener {
  void OnTestProgramStart(const testing::UnitTest&) override { tell("all", 0); }
  void OnTestStart(const testing::TestInfo&) override { began_ = std::clock(); }
  void OnTestEnd(const testing::TestInfo& test) override {
    tell(std::string(test.test_suite_name()) + '.' + test.name(),
         static_cast<int>((std::clock() - began_) * 1000 / CLOCKS_PER_SEC));
  }
  std::clock_t began_ = 0;
};

}  // namespace

int main(int count, char** arguments) {
  testing::InitGoogleTest(&count, arguments);
  if (mutation::chosen() == mutation::reaching) {
    testing::UnitTest::GetInstance()->listeners().Append(new Reach);
  }
  return RUN_ALL_TESTS();
}
