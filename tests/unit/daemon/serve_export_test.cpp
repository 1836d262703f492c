// The disk stands still for whoever touches a file from the thread of the control socket.

#include <gtest/gtest.h>
#include <pthread.h>
#include <sys/stat.h>
#include <sys/syscall.h>

#include <atomic>
#include <filesystem>
#include <fstream>
#include <future>
#include <thread>

#include "daemon/serve/server.h"
#include "tests/unit/daemon/serve_client.h"
#include "tests/unit/daemon/serve_fake.h"

namespace chargewright::daemon {
namespace {

using namespace std::chrono_literals;
namespace fs = std::filesystem;

std::atomic<bool> stands_still = false;

void wait_for_the_disk() {
  if (!stands_still) return;
  char name[16] = "";
  ::pthread_getname_np(::pthread_self(), name, sizeof name);
  while (stands_still && std::string_view(name) == "serve") std::this_thread::sleep_for(1ms);
}

void wait_for_the_disk_of(int fd) {
  struct stat facts {};
  if (stands_still && ::fstat(fd, &facts) == 0 && S_ISREG(facts.st_mode)) wait_for_the_disk();
}

TEST(AnExport, keeps_no_cut_waiting_for_its_disk) {  // S4
  std::string name = (fs::temp_directory_path() / "chargewright-export-XXXXXX").string();
  const std::string folder = ::mkdtemp(name.data());
  const std::string text(300'000, 'e');
  FakeOperations bench;
  bench.export_path = folder + "/export.csv";
  Backlog backlog;
  const std::string socket = folder + "/control";
  auto server = std::move(
      Server::start(socket, bench, backlog, [](const std::string& why) { FAIL() << why; }).value());
  const auto exchange = [&](const std::string& request) {
    Client client{socket};
    client.send(request);
    return client.read_to_end();
  };
  for (const bool gives_up : {false, true}) {
    std::ofstream(bench.export_path) << text;
    stands_still = true;
    {
      Client exporting{socket};
      exporting.send(get("/v1/runs/r1/export?format=csv"));
      const std::string begun = exporting.read_until("\r\n\r\n");
      EXPECT_TRUE(begun.starts_with("HTTP/1.1 200")) << begun;
      EXPECT_TRUE(exchange(post("/v1/cut")).starts_with("HTTP/1.1 200"));
      const std::string rest = gives_up ? text : exporting.read_to_end();
      EXPECT_TRUE((begun + rest).ends_with(text));
    }
    EXPECT_TRUE(exchange(post("/v1/cut")).starts_with("HTTP/1.1 200"));  // by then it is closed
    stands_still = false;
    EXPECT_FALSE(fs::exists(bench.export_path));
  }
  server.reset();
  fs::remove_all(folder);
}

}  // namespace
}  // namespace chargewright::daemon

extern "C" int unlink(const char* path) {
  chargewright::daemon::wait_for_the_disk();
  return static_cast<int>(::syscall(SYS_unlink, path));
}
extern "C" ssize_t read(int fd, void* into, size_t size) {
  chargewright::daemon::wait_for_the_disk_of(fd);
  return ::syscall(SYS_read, fd, into, size);
}
extern "C" int close(int fd) {
  chargewright::daemon::wait_for_the_disk_of(fd);
  return static_cast<int>(::syscall(SYS_close, fd));
}
