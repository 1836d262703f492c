#pragma once
// Opens a file as a record, or says plainly why it is none: no such file, not a record, damaged, or
// written by a newer version of this program.

#include "daemon/record/database.h"
#include "daemon/record/record.h"

namespace chargewright::daemon {

// Does the file carry a record's marks? Files that do not are none of our business.
bool looks_like_a_record(const std::string& path);

drivers::Result<Database> open_record(const std::string& path, Database::Mode mode);
drivers::Result<RecordSummary> summarise(Database& database);
// Nothing: a person started the run. A record of version 1 has none.
drivers::Result<std::optional<Resumed>> read_resumed(Database& database);

}  // namespace chargewright::daemon
