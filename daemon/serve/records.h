#pragma once
// The records of the runs, as clients may ask for them: listed, one in figures, or exported whole.
// Only reads, each time from the disk. Safe from any thread.

#include "daemon/serve/operations.h"

namespace chargewright::daemon {

class Records {
 public:
  explicit Records(std::string folder) : folder_(std::move(folder)) {}

  // Those that cannot be read stand in it as `problem`.
  [[nodiscard]] Answer<boost::json::array> all() const;
  [[nodiscard]] Answer<boost::json::object> one(const std::string& id) const;
  // The path of a temporary file that the caller removes.
  [[nodiscard]] Answer<std::string> exported(const std::string& id, RecordFormat format) const;

 private:
  [[nodiscard]] Answer<std::string> path_of(const std::string& id) const;

  std::string folder_;
};

}  // namespace chargewright::daemon
