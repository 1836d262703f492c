#include "tests/power_loss/disk.h"

#include <filesystem>
#include <fstream>
#include <set>

#include "tests/power_loss/interpose.h"

namespace chargewright::test {
namespace {

namespace fs = std::filesystem;
using Kind = DiskCall::Kind;

std::string folder_of(const std::string& path) {
  const auto slash = path.rfind('/');
  return slash == std::string::npos ? "" : path.substr(0, slash);
}

constexpr int a_folder = -1;

// Names and bytes as the disk has them, and what has not got there yet.
class Disk {
 public:
  void take(const DiskCall& call) {
    switch (call.kind) {
      case Kind::make:
      case Kind::rename:
      case Kind::remove:
        changes_[folder_of(call.path)].push_back(&call);
        return;
      case Kind::write:
      case Kind::cut_off:
        writes_[call.file].push_back(&call);
        return;
      case Kind::sync:
        for (const DiskCall* write : writes_[call.file]) apply(*write, write->bytes.size());
        writes_[call.file].clear();
        return;
      case Kind::sync_folder:
        for (const DiskCall* change : changes_[call.path]) apply_name(*change);
        changes_[call.path].clear();
        return;
    }
  }
  void lose_power(Left left, std::mt19937& random) {
    if (left == Left::only_synced) return;
    const bool all = left == Left::everything;
    for (auto& [file, writes] : writes_) {
      for (const DiskCall* write : writes) {
        if (!all && random() % 2 == 0) continue;
        const bool torn = !all && random() % 4 == 0 && !write->bytes.empty();
        apply(*write, torn ? random() % write->bytes.size() : write->bytes.size());
      }
    }
    for (auto& [folder, changes] : changes_) {
      const std::size_t kept = all ? changes.size() : random() % (changes.size() + 1);
      for (std::size_t i = 0; i < kept; ++i) apply_name(*changes[i]);
    }
  }
  void write_out(const std::string& folder) {
    fs::create_directories(folder);
    for (const auto& [path, file] : names_) {
      if (!is_reachable(path)) continue;
      if (file == a_folder) {
        fs::create_directories(folder + '/' + path);
        continue;
      }
      fs::create_directories(fs::path(folder + '/' + path).parent_path());
      std::ofstream(folder + '/' + path, std::ios::binary) << bytes_[file];
    }
  }

 private:
  void apply(const DiskCall& call, std::size_t count) {
    std::string& bytes = bytes_[call.file];
    if (call.kind == Kind::cut_off) {
      bytes.resize(call.at, '\0');
      return;
    }
    if (bytes.size() < call.at + count) bytes.resize(call.at + count, '\0');
    bytes.replace(call.at, count, call.bytes, 0, count);
  }
  void apply_name(const DiskCall& call) {
    switch (call.kind) {
      case Kind::make:
        names_[call.path] = call.file;
        return;
      case Kind::rename:
        if (const auto from = names_.find(call.path); from != names_.end()) {
          names_[call.to] = from->second;
          names_.erase(from);
        }
        return;
      default:
        names_.erase(call.path);
        return;
    }
  }
  // A folder without a name holds nothing that anybody finds.
  bool is_reachable(const std::string& path) const {
    for (std::string at = folder_of(path); !at.empty(); at = folder_of(at)) {
      if (!names_.contains(at)) return false;
    }
    return true;
  }

  std::map<std::string, int> names_;
  std::map<int, std::string> bytes_;
  std::map<int, std::vector<const DiskCall*>> writes_;           // unsynced, by file
  std::map<std::string, std::vector<const DiskCall*>> changes_;  // unsynced, by folder
};

}  // namespace

RecordedDisk::RecordedDisk(std::string folder) : folder_(std::move(folder)) {
  recorded_disk = this;
}
RecordedDisk::~RecordedDisk() { recorded_disk = nullptr; }

bool RecordedDisk::holds(const std::string& path) const {
  return path == folder_ || path.starts_with(folder_ + '/');
}

std::string RecordedDisk::under(const std::string& path) const {
  std::string rest = path.size() > folder_.size() ? path.substr(folder_.size() + 1) : "";
  while (rest.ends_with('/')) rest.pop_back();
  return rest;
}

void RecordedDisk::opened(int fd, const std::string& full, bool is_folder, bool is_new,
                          bool emptied) {
  const std::string path = under(full);
  if (is_folder) {
    open_[fd] = {path, a_folder};
    return;
  }
  if (is_new || !names_.contains(path)) {
    names_[path] = files_++;
    calls_.push_back(
        {.kind = Kind::make, .path = path, .to = {}, .file = names_[path], .bytes = {}});
  } else if (emptied) {
    calls_.push_back(
        {.kind = Kind::cut_off, .path = path, .to = {}, .file = names_[path], .bytes = {}});
  }
  open_[fd] = {path, names_[path]};
}

void RecordedDisk::made_folder(const std::string& path) {
  calls_.push_back(
      {.kind = Kind::make, .path = under(path), .to = {}, .file = a_folder, .bytes = {}});
}

void RecordedDisk::wrote(int fd, std::uint64_t at, const void* bytes, std::size_t count) {
  calls_.push_back({.kind = Kind::write,
                    .path = open_[fd].path,
                    .to = {},
                    .file = open_[fd].file,
                    .at = at,
                    .bytes = {static_cast<const char*>(bytes), count}});
}

void RecordedDisk::cut_off(int fd, std::uint64_t size) {
  calls_.push_back({.kind = Kind::cut_off,
                    .path = open_[fd].path,
                    .to = {},
                    .file = open_[fd].file,
                    .at = size,
                    .bytes = {}});
}

void RecordedDisk::synced(int fd) {
  const Open& open = open_[fd];
  calls_.push_back({.kind = open.file == a_folder ? Kind::sync_folder : Kind::sync,
                    .path = open.path,
                    .to = {},
                    .file = open.file,
                    .bytes = {}});
}

void RecordedDisk::renamed(const std::string& from, const std::string& to) {
  const auto moved = names_.find(under(from));
  if (moved == names_.end()) return;
  const int file = moved->second;
  names_.erase(moved);
  names_[under(to)] = file;
  calls_.push_back(
      {.kind = Kind::rename, .path = under(from), .to = under(to), .file = file, .bytes = {}});
}

void RecordedDisk::removed(const std::string& path) {
  names_.erase(under(path));
  calls_.push_back({.kind = Kind::remove, .path = under(path), .to = {}, .bytes = {}});
}

void leave(const std::vector<DiskCall>& calls, std::size_t count, Left left, std::mt19937& random,
           const std::string& folder) {
  Disk disk;
  for (std::size_t i = 0; i < count; ++i) disk.take(calls[i]);
  disk.lose_power(left, random);
  disk.write_out(folder);
}

}  // namespace chargewright::test
