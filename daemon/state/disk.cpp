#include "daemon/state/disk.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>
#include <system_error>

namespace chargewright::daemon {
namespace {

using drivers::Failure;
using drivers::Result;

Failure failed(const std::string& path, const char* what) {
  return {.place = {.file = path},
          .cause = std::string{what} + ": " + std::generic_category().message(errno),
          .advice = "see that the folder exists, has room, and may be written"};
}

class Descriptor {
 public:
  explicit Descriptor(int fd) : fd_(fd) {}
  Descriptor(const Descriptor&) = delete;
  Descriptor& operator=(const Descriptor&) = delete;
  ~Descriptor() {
    if (fd_ >= 0) ::close(fd_);
  }
  [[nodiscard]] int get() const { return fd_; }
  // Closing can be the moment at which a write fails (a full network disk, for one).
  bool close() {
    const int fd = fd_;
    fd_ = -1;
    return ::close(fd) == 0;
  }

 private:
  int fd_;
};

bool write_all(int fd, std::string_view text) {
  while (!text.empty()) {
    const ssize_t n = ::write(fd, text.data(), text.size());
    if (n < 0 && errno == EINTR) continue;
    if (n <= 0) return false;
    text.remove_prefix(static_cast<std::size_t>(n));
  }
  return true;
}

// A rename or an unlink is only on the disk when its folder is.
Result<void> sync_folder_of(const std::string& path) {
  const std::string above = std::filesystem::path(path).parent_path().string();
  const std::string folder = above.empty() ? "." : above;
  const Descriptor fd{::open(folder.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC)};
  if (fd.get() < 0 || ::fsync(fd.get()) != 0) return failed(folder, "cannot sync this folder");
  return {};
}

}  // namespace

Result<void> make_folder(const std::string& path) {
  std::string so_far = path.starts_with('/') ? "/" : "";
  for (const auto& part : std::filesystem::path(path).relative_path()) {
    so_far += part.string() + '/';
    if (::mkdir(so_far.c_str(), 0750) == 0) {
      // A folder whose own name is lost takes all that is in it along.
      if (auto synced = sync_folder_of(so_far.substr(0, so_far.size() - 1)); !synced) return synced;
    } else if (errno != EEXIST) {
      return failed(so_far, "cannot make this folder");
    }
  }
  struct stat facts {};
  if (::stat(path.c_str(), &facts) != 0) return failed(path, "cannot look at this folder");
  if (!S_ISDIR(facts.st_mode)) {
    return Failure{.place = {.file = path}, .cause = "this is not a folder", .advice = {}};
  }
  return {};
}

Result<void> replace_file(const std::string& path, std::string_view text) {
  const std::string beside = path + ".new";
  Descriptor fd{::open(beside.c_str(), O_WRONLY | O_CREAT | O_TRUNC | O_CLOEXEC, 0640)};
  if (fd.get() < 0) return failed(beside, "cannot open this file");
  if (!write_all(fd.get(), text) || ::fsync(fd.get()) != 0 || !fd.close()) {
    const Failure failure = failed(beside, "cannot write this file");
    ::unlink(beside.c_str());
    return failure;
  }
  if (::rename(beside.c_str(), path.c_str()) != 0) {
    const Failure failure = failed(path, "cannot replace this file");
    ::unlink(beside.c_str());
    return failure;
  }
  return sync_folder_of(path);
}

Result<std::optional<std::string>> read_file(const std::string& path) {
  const Descriptor fd{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)};
  if (fd.get() < 0) {
    if (errno == ENOENT) return std::optional<std::string>{};
    return failed(path, "cannot open this file");
  }
  std::string text;
  char block[4096];
  for (;;) {
    const ssize_t n = ::read(fd.get(), block, sizeof block);
    if (n < 0 && errno == EINTR) continue;
    if (n < 0) return failed(path, "cannot read this file");
    if (n == 0) return std::optional{std::move(text)};
    if (text.size() + static_cast<std::size_t>(n) > state_file_bytes_max) {
      return Failure{.place = {.file = path}, .cause = "this file is over 1 MiB", .advice = {}};
    }
    text.append(block, static_cast<std::size_t>(n));
  }
}

Result<void> remove_file(const std::string& path) {
  if (::unlink(path.c_str()) != 0 && errno != ENOENT) {
    return failed(path, "cannot remove this file");
  }
  return sync_folder_of(path);
}

Result<void> empty_file(const std::string& path) {
  Descriptor fd{::open(path.c_str(), O_WRONLY | O_TRUNC | O_CLOEXEC)};
  if (fd.get() < 0 || ::fsync(fd.get()) != 0 || !fd.close()) {
    return failed(path, "cannot empty this file");
  }
  return {};
}

std::string file_name_of(std::string_view name) {
  constexpr char digits[] = "0123456789ABCDEF";
  std::string text;
  for (const char c : name) {
    const bool plain = (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') ||
                       c == '-' || c == '_';
    if (plain) {
      text += c;
    } else {
      const auto byte = static_cast<unsigned char>(c);
      text += '%';
      text += digits[byte >> 4];
      text += digits[byte & 15];
    }
  }
  return text;
}

}  // namespace chargewright::daemon
