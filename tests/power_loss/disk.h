#pragma once
// What a program did to the files under one folder, call by call, and what a power loss would have
// left of it at any moment. This program's own calls of the system are taken down, SQLite's among
// them, and go on to the system; so that what is tested is the very code that runs.
//
// The model is what POSIX promises and no more: the bytes of a file are on the disk after its
// fsync(), its name after that of its folder. What was not synced may be there, or not, or in part.

#include <cstdint>
#include <map>
#include <optional>
#include <random>
#include <string>
#include <vector>

namespace chargewright::test {

struct DiskCall {
  enum class Kind : std::uint8_t { make, write, cut_off, sync, rename, remove, sync_folder };
  Kind kind = Kind::write;
  std::string path;  // under the folder; of a rename, the old one
  std::string to;    // of a rename
  int file = -1;     // inode, so to say; -1: a folder
  std::uint64_t at = 0;
  std::string bytes;  // written
};

// Takes down what happens under `folder` from here on; one at a time.
class RecordedDisk {
 public:
  explicit RecordedDisk(std::string folder);
  ~RecordedDisk();
  RecordedDisk(const RecordedDisk&) = delete;
  RecordedDisk& operator=(const RecordedDisk&) = delete;

  [[nodiscard]] const std::vector<DiskCall>& calls() const { return calls_; }
  [[nodiscard]] const std::string& folder() const { return folder_; }

  // Of the interposed calls.
  void opened(int fd, const std::string& path, bool is_folder, bool is_new, bool emptied);
  void made_folder(const std::string& path);
  void wrote(int fd, std::uint64_t at, const void* bytes, std::size_t count);
  void cut_off(int fd, std::uint64_t size);
  void synced(int fd);
  void renamed(const std::string& from, const std::string& to);
  void removed(const std::string& path);
  void closed(int fd) { open_.erase(fd); }
  [[nodiscard]] bool holds(const std::string& path) const;
  [[nodiscard]] bool is_open(int fd) const { return open_.contains(fd); }

 private:
  struct Open {
    std::string path;
    int file = -1;
  };
  std::string under(const std::string& path) const;
  std::string folder_;
  std::vector<DiskCall> calls_;
  std::map<int, Open> open_;
  std::map<std::string, int> names_;
  int files_ = 0;
};

enum class Left { only_synced, everything, something };

// Writes into `folder` what the power loss after the first `count` calls leaves. Of something,
// `random` decides: any of the unsynced writes, each perhaps torn; of the changes of a folder the
// first so many, since file systems keep their order.
void leave(const std::vector<DiskCall>& calls, std::size_t count, Left left, std::mt19937& random,
           const std::string& folder);

}  // namespace chargewright::test
