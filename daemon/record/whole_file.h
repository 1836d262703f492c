#pragma once
// A file that appears whole or not at all: written beside its name, made durable, then renamed.

#include <string>
#include <string_view>

#include "drivers/failure.h"

namespace chargewright::daemon {

class WholeFile {
 public:
  static drivers::Result<WholeFile> begin(const std::string& path);
  WholeFile(WholeFile&& other) noexcept;
  WholeFile& operator=(WholeFile&&) = delete;
  ~WholeFile();  // not published: nothing remains

  drivers::Result<void> write(std::string_view text);  // buffered
  drivers::Result<void> publish();

 private:
  WholeFile() = default;
  drivers::Result<void> flush();
  [[nodiscard]] drivers::Failure failure(const char* doing) const;

  std::string path_;
  std::string temporary_;
  std::string buffer_;
  int file_ = -1;
};

}  // namespace chargewright::daemon
