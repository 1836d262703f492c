#pragma once
// The report that tests/support/fail_call.c fills in another process, mapped here too.

#include <fcntl.h>
#include <sys/mman.h>
#include <unistd.h>

#include <stdexcept>
#include <string>

#include "tests/support/fail_call.h"

namespace chargewright::test {

class FailReport {
 public:
  explicit FailReport(const std::string& folder) : path_(folder + "/calls") {
    const int fd = ::open(path_.c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
    if (fd < 0 || ::ftruncate(fd, sizeof(fail_report)) != 0) throw std::runtime_error("no report");
    void* at = ::mmap(nullptr, sizeof(fail_report), PROT_READ, MAP_SHARED, fd, 0);
    ::close(fd);
    if (at == MAP_FAILED) throw std::runtime_error("no report");
    report_ = static_cast<const fail_report*>(at);
  }
  ~FailReport() { ::munmap(const_cast<fail_report*>(report_), sizeof(fail_report)); }
  FailReport(const FailReport&) = delete;
  FailReport& operator=(const FailReport&) = delete;
  [[nodiscard]] const fail_report& get() const { return *report_; }
  [[nodiscard]] const std::string& path() const { return path_; }

 private:
  std::string path_;
  const fail_report* report_;
};

}  // namespace chargewright::test
