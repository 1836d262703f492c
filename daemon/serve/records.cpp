#include "daemon/serve/records.h"

#include <fcntl.h>
#include <unistd.h>

#include <boost/json.hpp>
#include <filesystem>

#include "daemon/record/record.h"
#include "daemon/serve/shapes.h"

namespace chargewright::daemon {
namespace {

namespace fs = std::filesystem;
using boost::json::array;
using boost::json::object;

// A record's id is its file's name: anything that could lead elsewhere is none.
bool is_run_id(const std::string& id) {
  return !id.empty() && id.size() <= 250 && id.front() != '.' &&
         id.find_first_of(std::string_view{"/\0", 2}) == std::string::npos;
}

}  // namespace

Answer<array> Records::all() const {
  std::vector<drivers::Failure> problems;
  array json;
  for (const auto& summary : list_records(folder_, problems)) {
    json.push_back(run_json(summary));
  }
  for (const auto& problem : problems) json.push_back(object{{"problem", describe(problem)}});
  return json;
}

Answer<std::string> Records::path_of(const std::string& id) const {
  std::error_code ignored;
  const std::string path = folder_ + '/' + id + ".run";
  if (is_run_id(id) && fs::is_regular_file(path, ignored)) return path;
  return deny(Denial::unknown, "there is no run `" + id + "`", "`chargewright runs` lists them");
}

Answer<object> Records::one(const std::string& id) const {
  const auto path = path_of(id);
  if (!path) return path.error();
  const auto summary = summarise(*path);
  if (!summary) return own_fault(summary.error());
  return run_json(*summary);
}

Answer<std::string> Records::exported(const std::string& id, RecordFormat format) const {
  const auto path = path_of(id);
  if (!path) return path.error();
  std::error_code error;
  const auto folder = fs::temp_directory_path(error);
  if (error) return deny(Denial::own_fault, "there is no folder for temporary files");
  std::string file = (folder / "chargewright-XXXXXX").string();
  const int held = ::mkostemp(file.data(), O_CLOEXEC);  // a name that nobody could prepare
  if (held < 0) return deny(Denial::own_fault, "cannot make a file in " + folder.string());
  ::close(held);
  const auto written = export_record(
      *path, format == RecordFormat::bdf ? ExportFormat::bdf : ExportFormat::csv, file);
  if (written) return file;
  ::unlink(file.c_str());
  return own_fault(written.error());
}

}  // namespace chargewright::daemon
