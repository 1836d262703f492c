#include "daemon/plan/wired_stage.h"

#include <algorithm>

namespace chargewright::daemon {

using drivers::Duration;
using drivers::Instant;
using drivers::InstrumentId;

namespace {

// Arming is a chain of some thirty questions, each asked when the one before it is answered; a
// recovery takes a dozen more. More rounds than this at one moment are a loop of our own making.
constexpr int rounds_max = 2000;

}  // namespace

// One device with its link, and the guard's end of it.
struct WiredStage::Line final : drivers::LinkUser {
  Line(WiredStage& s, InstrumentId k, const drivers::simulated::ByteLinkModel& model)
      : stage(s), id(k), device(s.bench_, k), link(device, model, *this) {}
  void link_up() override { stage.wires_->link_up(id, stage.now()); }
  void link_down(const std::string&) override { stage.wires_->link_down(id, stage.now()); }
  void link_received(std::string_view bytes) override {
    stage.wires_->received(id, bytes, stage.now());
  }

  WiredStage& stage;
  InstrumentId id;
  drivers::simulated::ScpiDevice device;
  drivers::simulated::ByteLink link;
};

WiredStage::WiredStage(Setup setup)
    : plant_(setup.plant),
      instruments_(std::move(setup.instruments)),
      now_(setup.start),
      tick_(setup.tick),
      next_tick_(setup.start),
      bench_(std::move(setup.model), setup.start),
      snapshot_(std::make_unique<safety::Snapshot>()),
      sequencers_(setup.plant.channels.size()) {
  setup.links.resize(bench_.model().devices.size());
  for (std::size_t k = 0; k < setup.links.size(); ++k) {
    lines_.push_back(std::make_unique<Line>(*this, static_cast<InstrumentId>(k), setup.links[k]));
    lines_.back()->link.start(setup.start);
  }
  begin(setup.trips);
}

void WiredStage::begin(const std::vector<safety::Fault>& trips) {
  wires_ = std::make_unique<safety::Wires>(plant_, instruments_, 1,
                                           static_cast<safety::ByteSink&>(*this));
  wires_->attended();  // nobody's death but what a test says; see Wires::dead_man_lost
  for (const safety::Fault& trip : trips) wires_->restore_trip(trip);
  wires_->start(now());
  requested_ = true;
}

void WiredStage::restart(const std::vector<safety::Fault>& trips) {
  for (auto& sequencer : sequencers_) sequencer.reset();
  for (auto& line : lines_) line->link.restart(now_);
  *snapshot_ = {};
  snapshot_of_ = Instant::min();
  begin(trips);
}

WiredStage::~WiredStage() = default;

void WiredStage::run(Sequencer::Setup setup) {
  const std::uint8_t channel = setup.channel;
  sequencers_[channel].emplace(std::move(setup), now());
}

void WiredStage::request(const safety::Request& request) {
  spent_ += Duration{1};
  wires_->request(request, now());
  requested_ = true;
}

drivers::simulated::ByteLink& WiredStage::link(InstrumentId device) { return lines_[device]->link; }

Sequencer* WiredStage::sequencer(std::uint8_t channel) {
  return sequencers_[channel] ? &*sequencers_[channel] : nullptr;
}

const safety::ChannelSnapshot& WiredStage::channel(std::uint8_t index) {
  if (snapshot_of_ != now()) wires_->snapshot(*snapshot_, now());
  snapshot_of_ = now();
  return snapshot_->channel[index];
}

bool WiredStage::write(InstrumentId link, std::string_view bytes) {
  lines_[link]->link.write(bytes, now_);
  return lines_[link]->link.is_up();
}

Instant WiredStage::next() const {
  Instant first = std::min(next_tick_, wires_->wake());
  for (const auto& line : lines_) first = std::min(first, line->link.wake());
  return first;
}

void WiredStage::advance(Instant to) {
  for (;;) {
    const Instant due = requested_ ? now() : next();
    if (due > to) break;
    go_to(due);
    requested_ = false;
    happen();
  }
  if (to > now()) go_to(to);
}

// Not before the guard's own clock, which may be a few nanoseconds ahead.
void WiredStage::go_to(Instant at) {
  now_ = std::max(at, now());
  spent_ = Duration::zero();
  bench_.advance(now_);
  if (on_arrival) on_arrival();
}

// Everything that happens at this moment, until nothing moves any more.
void WiredStage::happen() {
  ++moments_;
  wires_->listen(static_cast<bool>(on_event));
  bool quiet = false;
  for (int round = 0; round < rounds_max && !quiet; ++round) {
    spent_ += Duration{1};
    quiet = !exchange(round == 0);
    if (quiet && now() >= next_tick_) {
      // Keeps the beat, so that steps of the physics are of equal length.
      next_tick_ += tick_;
      if (next_tick_ <= now()) next_tick_ = now() + tick_;
      sequence();
      sequenced_ = true;
      quiet = false;
    }
  }
  if (!quiet) ++endless_;
  if (on_moment) on_moment();
}

// Bytes both ways, and what comes of them; true: something moved.
bool WiredStage::exchange(bool first) {
  bool moved = false;
  const std::size_t count = lines_.size();
  std::size_t line = count > 0 ? first_served % count : 0;
  for (std::size_t k = 0; k < count; ++k) {
    moved = lines_[line]->link.turn(now_) || moved;
    if (++line == count) line = 0;
  }
  if (!moved && !first && !sequenced_ && wires_->wake() > now()) return false;
  sequenced_ = false;
  wires_->pump(now());
  give_events();
  return true;
}

void WiredStage::give_events() {
  safety::Event event;
  while (wires_->take_event(event)) {
    if (on_event) on_event(event);
  }
}

void WiredStage::sequence() {
  if (sequencers_hang) return;
  for (std::uint8_t k = 0; k < sequencers_.size(); ++k) {
    if (!sequencers_[k]) continue;
    sequencers_[k]->turn(channel(k), now());
    safety::Request request;
    while (sequencers_[k]->take_request(request)) {
      spent_ += Duration{1};
      wires_->request(request, now());
    }
  }
}

}  // namespace chargewright::daemon
