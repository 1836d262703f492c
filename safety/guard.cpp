#include "safety/guard.h"

#include <algorithm>

#include "safety/channel_guard.h"
#include "safety/outbox.h"

namespace chargewright::safety {

using drivers::Instant;

struct Guard::Parts {
  Outbox out;
  boost::container::static_vector<ChannelGuard, max_channels> channels;
};

Guard::Guard(const Plant& plant) : parts_(std::make_unique<Parts>()) {
  std::uint8_t index = 0;
  for (const ChannelPlan& plan : plant.channels) parts_->channels.emplace_back(plan, index++);
}

Guard::~Guard() = default;
Guard::Guard(Guard&&) noexcept = default;
Guard& Guard::operator=(Guard&&) noexcept = default;

void Guard::restore_trip(const Fault& fault) {
  if (fault.channel < parts_->channels.size()) parts_->channels[fault.channel].restore_trip(fault);
}

void Guard::restore_limits(std::uint8_t channel, const Limits& limits) {
  if (channel < parts_->channels.size()) parts_->channels[channel].restore_limits(limits);
}

void Guard::start(Instant now) {
  for (ChannelGuard& channel : parts_->channels) channel.start(now, parts_->out);
}

void Guard::request(const Request& request, Instant now) {
  if (request.channel < parts_->channels.size()) {
    parts_->channels[request.channel].request(request, now, parts_->out);
    return;
  }
  refuse(request, Refusal::wrong_state, now);
}

void Guard::refuse(const Request& request, Refusal refusal, Instant now) {
  const bool arms = request.kind == Request::Kind::arm;
  if (arms && request.channel < parts_->channels.size()) {
    parts_->channels[request.channel].arm_refused(refusal);
  }
  Event refused;
  refused.kind = Event::Kind::refused;
  refused.channel = request.channel;
  refused.at = now;
  refused.refusal = refusal;
  refused.number = request.number;
  parts_->out.event(refused);
}

void Guard::see(const drivers::Outcome& outcome, Instant now) {
  const std::uint8_t channel = channel_of(outcome.order.ticket);
  if (channel < parts_->channels.size()) parts_->channels[channel].see(outcome, now, parts_->out);
}

void Guard::link_changed(drivers::InstrumentId instrument, bool up, Instant now) {
  Event changed;
  changed.kind = Event::Kind::link_changed;
  changed.at = now;
  changed.instrument = instrument;
  changed.on = up;
  bool used = false;
  for (std::size_t k = 0; k < parts_->channels.size(); ++k) {
    ChannelGuard& channel = parts_->channels[k];
    if (!channel.uses(instrument)) continue;
    changed.channel = static_cast<std::uint8_t>(k);
    parts_->out.event(changed);
    channel.link_changed(instrument, up, now, parts_->out);
    used = true;
  }
  if (!used) parts_->out.event(changed);
}

void Guard::turn(Instant now) {
  for (ChannelGuard& channel : parts_->channels) channel.turn(now, parts_->out);
}

void Guard::internal_fault(Instant now) {
  for (ChannelGuard& channel : parts_->channels) channel.internal_fault(now, parts_->out);
}

void Guard::dead_man_lost(Instant now) {
  for (ChannelGuard& channel : parts_->channels) channel.dead_man_lost(now, parts_->out);
}

bool Guard::take_order(drivers::Order& order) { return parts_->out.take_order(order); }
bool Guard::take_event(Event& event) { return parts_->out.take_event(event); }

void Guard::listen(bool wanted) { parts_->out.listen(wanted); }

void Guard::snapshot(Snapshot& into, Instant now) const {
  into.at = now;
  into.events_lost = parts_->out.events_lost();
  into.channels = static_cast<std::uint8_t>(parts_->channels.size());
  for (std::size_t k = 0; k < parts_->channels.size(); ++k) {
    parts_->channels[k].snapshot(into.channel[k], now);
  }
}

Instant Guard::wake() const {
  Instant first = drivers::never;
  for (const ChannelGuard& channel : parts_->channels) first = std::min(first, channel.wake());
  return first;
}

bool Guard::all_off() const {
  return std::all_of(parts_->channels.begin(), parts_->channels.end(),
                     [](const ChannelGuard& channel) { return channel.verified_off(); });
}

void Guard::shut_down(Instant now) {
  for (ChannelGuard& channel : parts_->channels) channel.shut_down(now, parts_->out);
}

}  // namespace chargewright::safety
