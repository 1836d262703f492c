#include "daemon/record/whole_file.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <filesystem>

#include "daemon/record/file_name.h"

namespace chargewright::daemon {

using drivers::Failure;
using drivers::Result;

Failure WholeFile::failure(const char* doing) const {
  return {{.file = path_},
          std::string("cannot ") + doing + ": " + std::strerror(errno),
          errno == ENOSPC ? "make room on this disk" : ""};
}

Result<WholeFile> WholeFile::begin(const std::string& path) {
  namespace fs = std::filesystem;
  std::error_code ignored;
  const fs::file_type there = fs::status(path, ignored).type();
  if (there != fs::file_type::not_found && there != fs::file_type::regular &&
      there != fs::file_type::none) {
    return Failure{{.file = path},
                   "cannot write here: there is something there that is not a file",
                   "name a file"};
  }
  WholeFile file;
  file.path_ = path;
  file.temporary_ = path + ".XXXXXX";
  file.file_ = mkostemp(file.temporary_.data(), O_CLOEXEC);
  if (file.file_ < 0) return file.failure("write here");
  const mode_t mask = umask(0);
  umask(mask);
  fchmod(file.file_, 0666U & ~mask);
  return file;
}

WholeFile::WholeFile(WholeFile&& other) noexcept
    : path_(std::move(other.path_)),
      temporary_(std::move(other.temporary_)),
      buffer_(std::move(other.buffer_)),
      file_(std::exchange(other.file_, -1)) {}

WholeFile::~WholeFile() {
  if (file_ < 0) return;
  close(file_);
  unlink(temporary_.c_str());
}

Result<void> WholeFile::write(std::string_view text) {
  constexpr std::size_t chunk = 65536;
  buffer_ += text;
  return buffer_.size() >= chunk ? flush() : Result<void>{};
}

Result<void> WholeFile::flush() {
  std::string_view left = buffer_;
  while (!left.empty()) {
    const ssize_t written = ::write(file_, left.data(), left.size());
    if (written < 0 && errno == EINTR) continue;
    if (written < 0) return failure("write");
    left.remove_prefix(static_cast<std::size_t>(written));
  }
  buffer_.clear();
  return {};
}

Result<void> WholeFile::publish() {
  if (auto flushed = flush(); flushed.has_error()) return flushed;
  if (fsync(file_) != 0) return failure("write");
  if (rename(temporary_.c_str(), path_.c_str()) != 0) return failure("put the file in its place");
  close(std::exchange(file_, -1));
  const std::string folder = std::filesystem::path(path_).parent_path().string();
  sync_folder(folder.empty() ? "." : folder);
  return {};
}

}  // namespace chargewright::daemon
