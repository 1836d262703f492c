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

void Stage::run(Sequencer::Setup setup) { sequencer_.emplace(std::move(setup), now()); }

void Stage::turn(Instant at) {
  now_ = at;
  guard_->listen(static_cast<bool>(on_event));
  bench_.advance(at);
  hand_on_late();
  for (int round = 0; round < rounds_max; ++round) {
    guard_->turn(now());
    if (exchange()) continue;
    if (!sequence()) return;
  }
}

void Stage::hand_on_late() {
  for (auto late = late_.begin(); late != late_.end();) {
    if (late->answered > now()) {
      ++late;
      continue;
    }
    guard_->see(*late, now());
    late = late_.erase(late);
  }
}

bool Stage::exchange() {
  bool any = false;
  drivers::Order order;
  while (guard_->take_order(order)) {
    any = true;
    spent_ += drivers::Duration{1};
    drivers::Outcome outcome = bench_.obey(order, now_);
    outcome.asked += spent_;
    outcome.answered += spent_;
    if (outcome.answered <= now()) {
      guard_->see(outcome, now());
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
  guard_->snapshot(*snapshot_, now());
  if (!sequencer_ || sequencer_hangs) return false;
  sequencer_->turn(snapshot_->channel[0], now());
  bool any = false;
  safety::Request request;
  while (sequencer_->take_request(request)) {
    any = any || request.kind != safety::Request::Kind::heartbeat;
    spent_ += drivers::Duration{1};
    guard_->request(request, now());
  }
  return any;
}

}  // namespace chargewright::daemon
