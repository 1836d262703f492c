// What a machine and a bench can do to a run besides: no room on the disk, no descriptors, no time,
// pulled cables, clients that flood. The output goes off, or the run goes on under guard (S3, S4,
// S6, S10).

#include <gtest/gtest.h>
#include <sys/mount.h>
#include <sys/resource.h>
#include <unistd.h>

#include <atomic>
#include <csignal>
#include <filesystem>
#include <fstream>
#include <thread>

#include "tests/bench/benches.h"

namespace chargewright::test {
namespace {

namespace fs = std::filesystem;
using namespace std::chrono_literals;

double monotonic_s() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

void limit(const Process& process, __rlimit_resource resource, rlim_t soft) {
  rlimit limits{};
  ASSERT_EQ(::prlimit(process.id(), resource, nullptr, &limits), 0);
  limits.rlim_cur = soft;
  ASSERT_EQ(::prlimit(process.id(), resource, &limits, nullptr), 0);
}

std::size_t descriptors(const Process& process) {
  const fs::path folder = "/proc/" + std::to_string(process.id()) + "/fd";
  return static_cast<std::size_t>(std::distance(fs::directory_iterator(folder), {}));
}

// What is not recorded does not run.
void expect_failed_and_off(ServedBench& bench, Process& run) {
  EXPECT_EQ(run.wait(patience).exit_code, 7);
  EXPECT_TRUE(until([&] { return !bench.simulator().output_is_on(); }));
  bench.daemon().pump(0ms);
  EXPECT_NE(bench.daemon().err().find("record-failed"), std::string::npos) << bench.daemon().err();
  EXPECT_TRUE(bench.daemon().running());
}

TEST(ARecordThatMayNotGrow, ends_the_run_with_the_output_off) {  // S10
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  limit(bench.daemon(), RLIMIT_FSIZE, 4096);
  expect_failed_and_off(bench, *run);
}

TEST(AFullDisk, ends_the_run_with_the_output_off) {  // S10
  ServedBench bench(buffer_bench({}));
  const std::string runs = bench.folder().path() + "/runs";
  fs::create_directory(runs);
  if (::mount("tmpfs", runs.c_str(), "tmpfs", 0, "size=512k") != 0) {
    GTEST_SKIP() << "no file system may be mounted here";
  }
  struct Unmount {
    std::string at;
    ~Unmount() { ::umount2(at.c_str(), MNT_DETACH); }
  } const unmount{runs};
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  std::ofstream hog(runs + "/hog", std::ios::binary);
  const std::string block(4096, 'x');
  while (hog.write(block.data(), static_cast<std::streamsize>(block.size())) && hog.flush()) {
  }
  expect_failed_and_off(bench, *run);
}

TEST(ADaemonWithoutDescriptors, still_cuts_at_a_limit_and_is_still_cut_for) {  // S2 S4 S6
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  limit(bench.daemon(), RLIMIT_NOFILE, descriptors(bench.daemon()));
  bench.simulator().control("fault not-a-number meter");
  ASSERT_TRUE(until([&] { return !bench.simulator().output_is_on(); }));
  EXPECT_LE(bench.simulator().seconds_from_fault_to("output-off").value_or(99), 8);
}

TEST(ADaemonWithoutDescriptors, is_still_cut_for_when_it_dies) {  // S6
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  limit(bench.daemon(), RLIMIT_NOFILE, descriptors(bench.daemon()));
  bench.end_daemon(SIGKILL);
  EXPECT_EQ(bench.dead_man_exit(), 10);
  EXPECT_FALSE(bench.simulator().output_is_on());
}

TEST(ADaemonWithoutDescriptors, refuses_to_start_with_the_reason) {  // S6
  ServedBench bench(buffer_bench({}));
  std::string line = "ulimit -n 16; exec";
  for (const std::string& word : bench.daemon_words()) line += " '" + word + "'";
  const Finished refused = run({"sh", "-c", line}, patience);
  EXPECT_EQ(refused.exit_code, 5) << refused.err;
  EXPECT_NE(refused.err.find("open files"), std::string::npos) << refused.err;
}

TEST(ABusyMachine, does_not_keep_the_dead_man_from_cutting) {  // S6
  BenchFiles files = buffer_bench({});
  ServedBench bench(files);
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  std::atomic<bool> enough = false;
  std::vector<std::thread> busy;
  for (unsigned k = 0; k < 2 * std::max(2U, std::thread::hardware_concurrency()); ++k) {
    busy.emplace_back([&] {
      while (!enough) {
      }
    });
  }
  std::this_thread::sleep_for(300ms);  // they are at work
  const double since = monotonic_s();
  bench.end_daemon(SIGKILL);
  std::optional<double> took;
  EXPECT_TRUE(until(
      [&] { return (took = bench.simulator().seconds_to("output-off", since)).has_value(); }));
  enough = true;
  for (auto& thread : busy) thread.join();
  std::cout << "          killed on a busy machine: off after " << took.value_or(99) * 1e3
            << " ms\n";
  EXPECT_LE(took.value_or(99), 5);
}

TEST(ClientsThatFloodTheSocket, do_not_delay_a_cut) {  // S4
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  std::atomic<bool> enough = false;
  std::vector<std::thread> clients;
  for (int k = 0; k < 4; ++k) {
    clients.emplace_back([&, k] {
      const std::string asked = k % 2 == 0 ? "GET /v1/channels HTTP/1.1\r\nHost: bench\r\n\r\n"
                                           : std::string(3000, '\x01') + "\r\n\r\n";
      while (!enough) {
        const RawClient client{bench.socket()};
        for (int n = 0; n < 50 && client.send(asked); ++n) {
        }
      }
    });
  }
  std::this_thread::sleep_for(300ms);  // they are at work
  bench.simulator().control("fault not-a-number meter");
  EXPECT_TRUE(until([&] { return !bench.simulator().output_is_on(); }));
  const double took = bench.simulator().seconds_from_fault_to("output-off").value_or(99);
  enough = true;
  for (auto& client : clients) client.join();
  std::cout << "          flooded: off " << took * 1e3 << " ms after the reading was lost\n";
  EXPECT_LE(took, 8);
  EXPECT_TRUE(until([&] { return bench.trip() == "reading-unusable"; }));
}

TEST(ASerialCablePulled, is_cut_whichever_instrument_it_was) {  // S3 S4
  {
    ServedBench bench(buffer_bench({}));  // the meter's
    ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
    const auto run = bench.charge();
    bench.simulator().control("fault link-dropped meter");
    EXPECT_EQ(run->wait(patience).exit_code, 4);
    EXPECT_FALSE(bench.simulator().output_is_on());
    EXPECT_LE(bench.simulator().seconds_from_fault_to("output-off").value_or(99), 8);
  }
  ServedBench bench(buffer_bench({.contactor = true, .supply_served = "pty"}));  // the supply's
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  bench.simulator().control("fault link-dropped supply");
  ASSERT_TRUE(until([&] { return bench.simulator().number("current_a") == 0; }));
  EXPECT_LE(bench.simulator().seconds_from_fault_to("switch-opened").value_or(99), 8);
}

// Its link comes back within moments: the run goes on under guard, or was cut; it can be cut.
TEST(AnInstrumentRestarted, is_guarded_again_over_its_new_link) {  // S3 S4
  ServedBench bench(buffer_bench({}));
  ASSERT_TRUE(bench.start_daemon()) << bench.daemon().err();
  const auto run = bench.charge();
  bench.simulator().control("fault link-dropped supply");
  std::this_thread::sleep_for(50ms);
  bench.simulator().control("clear");
  const Finished cut = bench.command({"cut"});
  EXPECT_EQ(cut.exit_code, 0) << cut.err;
  EXPECT_FALSE(bench.simulator().output_is_on());
}

}  // namespace
}  // namespace chargewright::test
