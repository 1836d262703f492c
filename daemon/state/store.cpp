#include "daemon/state/store.h"

#include <algorithm>
#include <boost/json.hpp>
#include <filesystem>
#include <functional>
#include <sstream>

#include "daemon/state/disk.h"

namespace chargewright::daemon {
namespace {

using drivers::Failure;
using drivers::Result;

constexpr const char* links_file = "/links";
constexpr const char* named_again = "give it its name again, restart the daemon";

Failure damaged(const std::string& path, const std::string& why) {
  return {.place = {.file = path},
          .cause = "the daemon cannot read what it remembered here: " + why,
          .advice =
              "look at the bench, then move this file away and restart the daemon; until then no "
              "run is started"};
}

// The JSON of a file; nullopt where there is none; damage gathered.
std::optional<boost::json::value> load_json(const std::string& path, std::vector<Failure>& damage) {
  const auto text = read_file(path);
  if (!text) {
    damage.push_back(damaged(path, text.error().cause));
    return {};
  }
  if (!text->has_value()) return {};
  boost::json::error_code error;
  boost::json::value json = boost::json::parse(**text, error);
  if (error) {
    damage.push_back(damaged(path, error.message()));
    return {};
  }
  return json;
}

template <class T>
std::optional<T> load_as(const std::string& path, Result<T> (*read)(const boost::json::value&),
                         std::vector<Failure>& damage) {
  const auto json = load_json(path, damage);
  if (!json) return {};
  const Result<T> fact = read(*json);
  if (fact) return *fact;
  damage.push_back(damaged(path, fact.error().cause));
  return {};
}

// Trips and markers in a folder, but for those at the paths `own`: what they belong to was renamed,
// taken out of the file, or kept elsewhere, while a person had yet to look. `back`: how the daemon
// comes to know it again.
void look_for_strangers(const std::string& folder, const std::vector<std::string>& own,
                        const std::string& what, const std::string& back,
                        std::vector<Failure>& damage) {
  std::error_code error;
  for (auto entry = std::filesystem::directory_iterator(folder, error);
       !error && entry != std::filesystem::directory_iterator(); entry.increment(error)) {
    const std::string name = entry->path().filename().string();
    const bool stops = name.starts_with("trip-") || name.starts_with("energised-");
    if (!stops || !name.ends_with(".json") || std::ranges::count(own, folder + '/' + name) > 0) {
      continue;
    }
    damage.push_back({.place = {.file = folder + '/' + name},
                      .cause = "a trip, or a run that was under way, of " + what,
                      .advice = "look at the bench; then " + back +
                                " and acknowledge, or move this file away and restart it; "
                                "until then no run is started"});
  }
  if (error) damage.push_back(damaged(folder, error.message()));
}

// Where benches may keep their state: all in one folder, as of a daemon that was started by hand,
// or each in its own within that one, as the shipped unit has it; but never where anybody may
// write. `folder` may be of either kind.
std::vector<std::filesystem::path> folders_of_benches(const std::string& folder) {
  namespace fs = std::filesystem;
  std::error_code ignored;
  const fs::path own = fs::canonical(folder, ignored);
  std::vector<fs::path> all{own};
  const auto add_folders_in = [&](const fs::path& where) {
    for (const auto& entry : fs::directory_iterator(where, ignored)) {
      if (entry.is_directory(ignored) && entry.path() != own) all.push_back(entry.path());
    }
  };
  add_folders_in(own);
  const fs::path parent = own.parent_path();
  if ((fs::status(parent, ignored).permissions() & fs::perms::others_write) != fs::perms::none) {
    return all;
  }
  all.push_back(parent);
  add_folders_in(parent);
  return all;
}

bool shares_a_line(const std::string& text, const std::vector<std::string>& lines) {
  std::istringstream all{text};
  for (std::string line; std::getline(all, line);) {
    if (std::ranges::count(lines, line) > 0) return true;
  }
  return false;
}

// The same bench under the name that it had before, or in another state folder: what shares an
// instrument with it. What cannot be looked at is no bench's folder.
void look_elsewhere(const std::string& folder, const std::string& own,
                    const std::vector<std::string>& links, std::vector<Failure>& damage) {
  namespace fs = std::filesystem;
  std::error_code ignored;
  const fs::path itself = fs::canonical(folder + '/' + own, ignored);
  for (const fs::path& benches : folders_of_benches(folder)) {
    for (const auto& entry : fs::directory_iterator(benches, ignored)) {
      // By itself, or through a link.
      if (!entry.is_directory(ignored) || fs::equivalent(entry.path(), itself, ignored)) continue;
      const std::string other = entry.path().string();
      const auto text = read_file(other + links_file);
      if (!text || !*text || !shares_a_line(**text, links)) continue;
      if (entry.path().filename() == own) {
        look_for_strangers(other, {}, "this bench, in another state folder",
                           "restart the daemon with `--state " + benches.string() + '`', damage);
      } else {
        look_for_strangers(other, {}, "a bench of another name with an instrument of this one",
                           named_again, damage);
      }
    }
  }
}

Result<void> save(const std::string& path, const boost::json::value& json) {
  return replace_file(path, boost::json::serialize(json) + '\n');
}

}  // namespace

Result<std::unique_ptr<StateStore>> StateStore::open(const std::string& folder,
                                                     const std::string& bench,
                                                     const std::vector<std::string>& channels,
                                                     WallTime now,
                                                     const std::vector<std::string>& links) {
  const std::string own = folder + '/' + file_name_of(bench);
  if (auto made = make_folder(own); !made) return made.error();
  std::string lines;
  for (const auto& link : links) lines += link + '\n';
  // A folder that cannot be written is found out now, not at the first trip.
  if (auto wrote = replace_file(own + links_file, lines); !wrote) return wrote.error();
  std::unique_ptr<StateStore> store{new StateStore(own, channels)};
  store->load(now);
  look_elsewhere(folder, file_name_of(bench), links, store->damage_);
  return store;
}

StateStore::StateStore(std::string folder, const std::vector<std::string>& channels)
    : folder_(std::move(folder)) {
  for (const auto& name : channels)
    channels_.push_back(
        {.name = name, .trip = {}, .energised = {}, .interrupted = {}, .limits = {}});
}

std::string StateStore::path(std::string_view kind, std::size_t channel) const {
  return folder_ + '/' + std::string{kind} + '-' + file_name_of(channels_.at(channel).name) +
         ".json";
}

void StateStore::load(WallTime now) {
  // What cannot be looked at may be there.
  const auto no_resumption = read_file(folder_ + "/no-resumption");
  const bool forbidden = !no_resumption || no_resumption->has_value();
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    channels_[i].trip = load_as(path("trip", i), latched_trip_from, damage_);
    channels_[i].limits = load_as(path("limits", i), limits_from, damage_);
    const auto marker = load_as(path("energised", i), energised_from, damage_);
    if (!marker) continue;
    // The trip is written before the marker goes: a crash between the two repeats this harmlessly.
    if (!channels_[i].trip) {
      safety::Fault fault;
      fault.cause = safety::Cause::guard_internal;
      fault.channel = static_cast<std::uint8_t>(i);
      const LatchedTrip trip{.fault = fault, .at = now, .interrupted = true, .run = marker->run};
      if (auto latched = latch_alone(i, trip); !latched) {
        damage_.push_back(latched.error());
        continue;
      }
      if (marker->offer && !forbidden) channels_[i].interrupted = *marker;
    }
    if (auto gone = remove_file(path("energised", i)); !gone) damage_.push_back(gone.error());
  }
  std::vector<std::string> own;
  for (std::size_t i = 0; i < channels_.size(); ++i) {
    own.push_back(path("trip", i));
    own.push_back(path("energised", i));
  }
  look_for_strangers(folder_, own, "a channel that this bench does not have", named_again, damage_);
  // After the trips, which say the same for good.
  if (forbidden && damage_.empty()) (void)remove_file(folder_ + "/no-resumption");
  if (const auto json = load_json(folder_ + "/cautions.json", damage_)) {
    const auto* object = json->if_object();
    const auto* accepted = object != nullptr ? object->if_contains("accepted") : nullptr;
    // Damage here is harmless: the cautions are shown once more.
    cautions_accepted_ = accepted != nullptr && accepted->is_bool() && accepted->get_bool();
  }
  round_trips_ =
      load_as(folder_ + "/round-trips.json", round_trips_from, damage_).value_or(RoundTrips{});
  const std::string approvals = folder_ + "/approvals.json";
  if (const auto json = load_json(approvals, damage_)) {
    if (!json->is_array()) damage_.push_back(damaged(approvals, "a list was expected"));
    for (const auto& item : json->is_array() ? json->get_array() : boost::json::array{}) {
      auto approval = approval_from(item);
      if (approval) {
        approvals_.push_back(std::move(*approval));
      } else {
        damage_.push_back(damaged(approvals, approval.error().cause));
      }
    }
  }
}

RoundTrips StateStore::round_trips() const {
  const std::lock_guard lock{mutex_};
  return round_trips_;
}

Result<void> StateStore::remember(const RoundTrips& worst) {
  const std::lock_guard alone{changing_};
  if (worst == round_trips_) return {};
  if (auto saved = save(folder_ + "/round-trips.json", to_json(worst)); !saved) return saved;
  const std::lock_guard lock{mutex_};
  round_trips_ = worst;
  return {};
}

std::vector<Failure> StateStore::damage() const {
  const std::lock_guard lock{mutex_};
  return damage_;
}

std::optional<LatchedTrip> StateStore::trip(std::size_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).trip;
}

Result<void> StateStore::latch_alone(std::size_t channel, const LatchedTrip& trip) {
  // In memory first: even if the disk refuses, this life treats the channel as tripped.
  {
    const std::lock_guard lock{mutex_};
    channels_.at(channel).trip = trip;
  }
  return save(path("trip", channel), to_json(trip));
}

Result<void> StateStore::latch(std::size_t channel, const LatchedTrip& trip) {
  const std::lock_guard alone{changing_};
  return latch_alone(channel, trip);
}

Result<void> StateStore::acknowledge(std::size_t channel) {
  const std::lock_guard alone{changing_};
  if (auto gone = remove_file(path("trip", channel)); !gone) return gone;
  const std::lock_guard lock{mutex_};
  channels_.at(channel).trip.reset();
  return {};
}

std::optional<Energised> StateStore::energised(std::size_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).energised;
}

Result<void> StateStore::mark_energised(std::size_t channel, const Energised& marker) {
  const std::lock_guard alone{changing_};
  if (auto saved = save(path("energised", channel), to_json(marker)); !saved) return saved;
  const std::lock_guard lock{mutex_};
  channels_.at(channel).energised = marker;
  return {};
}

std::optional<Energised> StateStore::interrupted(std::size_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).interrupted;
}

Result<void> StateStore::withdraw_offer(std::size_t channel) {
  const std::lock_guard alone{changing_};
  auto& marker = channels_.at(channel).energised;
  if (!marker || !marker->offer) return {};
  Energised without = *marker;
  without.offer.reset();
  const std::string file = path("energised", channel);
  if (auto saved = save(file, to_json(without)); !saved) {
    // A full disk lets a file be emptied: damage to the next life, which neither resumes nor
    // starts.
    if (auto emptied = empty_file(file); !emptied) return saved;
  }
  const std::lock_guard lock{mutex_};
  marker = std::move(without);
  return {};
}

Result<void> StateStore::unmark_energised(std::size_t channel) {
  const std::lock_guard alone{changing_};
  if (auto gone = remove_file(path("energised", channel)); !gone) return gone;
  const std::lock_guard lock{mutex_};
  channels_.at(channel).energised.reset();
  return {};
}

std::optional<safety::Limits> StateStore::limits(std::size_t channel) const {
  const std::lock_guard lock{mutex_};
  return channels_.at(channel).limits;
}

Result<void> StateStore::keep_limits(std::size_t channel, const safety::Limits& limits) {
  const std::lock_guard alone{changing_};
  if (auto saved = save(path("limits", channel), to_json(limits)); !saved) return saved;
  const std::lock_guard lock{mutex_};
  channels_.at(channel).limits = limits;
  return {};
}

std::optional<Approval> StateStore::approval(const std::string& profile,
                                             const std::string& cell) const {
  const std::lock_guard lock{mutex_};
  for (const auto& approval : approvals_) {
    if (approval.profile == profile && approval.cell == cell) return approval;
  }
  return {};
}

Result<void> StateStore::approve(const Approval& approval) {
  const std::lock_guard alone{changing_};
  std::vector<Approval> next;
  for (const auto& old : approvals_) {
    if (old.profile != approval.profile || old.cell != approval.cell) next.push_back(old);
  }
  next.push_back(approval);
  if (next.size() > approvals_max) next.erase(next.begin());
  boost::json::array json;
  for (const auto& item : next) json.emplace_back(to_json(item));
  if (auto saved = save(folder_ + "/approvals.json", json); !saved) return saved;
  const std::lock_guard lock{mutex_};
  approvals_ = std::move(next);
  return {};
}

bool StateStore::cautions_accepted() const {
  const std::lock_guard lock{mutex_};
  return cautions_accepted_;
}

Result<void> StateStore::accept_cautions(std::uint32_t by_uid, WallTime now) {
  const std::lock_guard alone{changing_};
  const boost::json::object json{{"accepted", true}, {"by-uid", by_uid}, {"at", unix_time(now)}};
  if (auto saved = save(folder_ + "/cautions.json", json); !saved) return saved;
  const std::lock_guard lock{mutex_};
  cautions_accepted_ = true;
  return {};
}

Result<void> forbid_resumption(const std::string& folder, const std::string& bench) {
  return replace_file(folder + '/' + file_name_of(bench) + "/no-resumption", "a person cut\n");
}

}  // namespace chargewright::daemon
