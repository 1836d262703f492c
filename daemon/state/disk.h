#pragma once
// Small files that must survive a power loss, whole or not at all: written beside, fsynced, renamed
// over, and the folder fsynced. Reading is bounded. Paths are the caller's; any thread.

#include <optional>
#include <string>
#include <string_view>

#include "drivers/failure.h"

namespace chargewright::daemon {

inline constexpr std::size_t state_file_bytes_max = 1024 * 1024;

drivers::Result<void> make_folder(const std::string& path);  // and its parents; mode 0750

// After success the new text is what any later life reads; after failure the old one still is.
drivers::Result<void> replace_file(const std::string& path, std::string_view text);

// No file is an answer (nullopt); a file that cannot be read, or is too large, is a failure.
drivers::Result<std::optional<std::string>> read_file(const std::string& path);

// A file that is not there counts as removed.
drivers::Result<void> remove_file(const std::string& path);

// Of a file that cannot be replaced, since the disk is full: what it said is gone.
drivers::Result<void> empty_file(const std::string& path);

// A name as one component of a path: letters, digits, `-` and `_` stand, all else is %XX.
std::string file_name_of(std::string_view name);

}  // namespace chargewright::daemon
