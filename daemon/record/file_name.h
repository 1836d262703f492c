#pragma once
// The name of a record: `<start>-<bench>-<channel>-<profile>.run`, the start in UTC to the second.

#include <string>

#include "daemon/record/record.h"

namespace chargewright::daemon {

// Characters that a file name is better without become `_`; each part is bounded.
std::string record_stem(const RecordHeader& header);

// Creates an empty file that was not there, 0640, under the first free of `stem.run`,
// `stem-2.run`, ... and makes the folder's entry durable.
drivers::Result<std::string> create_record_file(const std::string& folder, const std::string& stem);

// Makes the entries of the folder durable. Failing is only as bad as a power loss at this moment.
bool sync_folder(const std::string& folder);

}  // namespace chargewright::daemon
