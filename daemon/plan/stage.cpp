#include "daemon/plan/stage.h"

#include <algorithm>

namespace chargewright::daemon {

using drivers::Instant;

// Arming is a chain of some thirty questions, each asked when the one before it is answered. More
// than this at one instant is a loop of our own making.
constexpr int rounds_max = 200;

Stage::Stage(drivers::simulated::BenchModel model, const safety::Plant& plant, Instant start)
    : now_(start),
      bench_(std::move(model), start),
      guard_(std::make_unique<safety::Guard>(plant)),
      snapshot_(std::make_unique<safety::Snapshot>()) {
  for (std::uint8_t i = 0; i < plant.instruments; ++i) guard_->link_changed(i, true, start);
  guard_->start(start);
}

void Stage::run(Sequencer::Setup setup) { sequencer_.emplace(std::move(setup), now_); }

void Stage::turn(Instant now) {
  now_ = now;
  bench_.advance(now);
  const auto is_due = [now](const drivers::Outcome& outcome) { return outcome.answered <= now; };
  for (auto late = late_.begin(); late != late_.end();) {
    if (is_due(*late)) {
      guard_->see(*late, now);
      late = late_.erase(late);
    } else {
      ++late;
    }
  }
  for (int round = 0; round < rounds_max; ++round) {
    guard_->turn(now);
    if (exchange()) continue;
    if (!sequence()) return;
  }
}

bool Stage::exchange() {
  bool any = false;
  drivers::Order order;
  while (guard_->take_order(order)) {
    any = true;
    const drivers::Outcome outcome = bench_.obey(order, now_);
    if (outcome.answered <= now_) {
      guard_->see(outcome, now_);
    } else {
      late_.push_back(outcome);
    }
  }
  return any;
}

bool Stage::sequence() {
  safety::Event event;
  while (guard_->take_event(event)) {
    if (on_event) on_event(event);
  }
  guard_->snapshot(*snapshot_, now_);
  if (!sequencer_) return false;
  sequencer_->turn(snapshot_->channel[0], now_);
  bool any = false;
  safety::Request request;
  while (sequencer_->take_request(request)) {
    any = any || request.kind != safety::Request::Kind::heartbeat;
    guard_->request(request, now_);
  }
  return any;
}

}  // namespace chargewright::daemon
