#include "daemon/cli/direct_cut.h"

#include <boost/asio/io_context.hpp>
#include <memory>

#include "daemon/cli/off_proof.h"
#include "drivers/instrument.h"
#include "drivers/link.h"

namespace chargewright::daemon {
namespace {

using Clock = std::chrono::steady_clock;

drivers::Instant present() { return drivers::Instant{Clock::now().time_since_epoch()}; }

// One instrument and its link; all of them share one thread.
class Wire : public drivers::LinkUser {
 public:
  Wire(boost::asio::io_context& io, const profiles::BenchInstrument& facts,
       drivers::InstrumentId id, const drivers::Dialect& dialect, OffProof& proof)
      : id_(id),
        proof_(proof),
        instrument_({.name = facts.name, .id = id, .identity = {}, .dialect = dialect}),
        link_(drivers::make_link(io, facts.link, *this, {.back_off_longest = back_off_longest})) {
    link_->start();
  }
  ~Wire() override { link_->stop(); }
  Wire(const Wire&) = delete;
  Wire& operator=(const Wire&) = delete;

  void link_up() override {
    instrument_.link_up(present());
    proof_.link_changed(id_, true);
  }
  void link_down(const std::string& why) override {
    instrument_.link_down(present());
    drivers::Outcome dropped;
    while (instrument_.take(dropped)) {
    }
    proof_.link_changed(id_, false, why);
  }
  void link_received(std::string_view bytes) override { instrument_.receive(bytes, present()); }

  void order(const drivers::Order& order) { instrument_.order(order, present()); }
  void turn() {
    instrument_.turn(present());
    drivers::Outcome outcome;
    while (instrument_.take(outcome)) proof_.see(outcome, present());
    proof_.in_step(id_, instrument_.is_in_step());
    const auto bytes = instrument_.to_write();
    if (bytes.empty() || !link_->is_up()) return;
    if (link_->write(bytes)) instrument_.written(bytes.size());
  }

 private:
  static constexpr std::chrono::milliseconds back_off_longest{200};
  drivers::InstrumentId id_;
  OffProof& proof_;
  drivers::Instrument instrument_;
  std::unique_ptr<drivers::Link> link_;
};

// An instrument whose dialect cannot be loaded may have every word: nothing is proved without it.
drivers::Dialect of_unknown_words() {
  drivers::Dialect dialect;
  for (auto& spelling : dialect.verbs) spelling.absent = false;
  return dialect;
}

}  // namespace

DirectCut direct_cut(const profiles::Bench& bench, const std::vector<std::string>& dialect_folders,
                     std::chrono::milliseconds within) {
  const auto deadline = Clock::now() + within;
  DirectCut cut;
  std::vector<drivers::Dialect> dialects;
  std::vector<bool> spoken;
  for (const auto& instrument : bench.instruments) {
    auto dialect = drivers::load_dialect(instrument.dialect, dialect_folders);
    spoken.push_back(dialect.has_value());
    if (dialect) {
      if (instrument.respond) dialect->respond = *instrument.respond;
      dialects.push_back(std::move(*dialect));
    } else {
      for (auto& problem : dialect.error().list) cut.problems.list.push_back(std::move(problem));
      dialects.push_back(of_unknown_words());
    }
  }

  OffProof proof{bench, dialects};
  boost::asio::io_context io{1};
  std::vector<std::unique_ptr<Wire>> wires(bench.instruments.size());
  for (std::size_t i = 0; i < wires.size(); ++i) {
    const auto id = static_cast<drivers::InstrumentId>(i);
    if (!proof.is_needed(id)) continue;
    if (!spoken[i]) {
      proof.link_changed(id, false);
      continue;
    }
    wires[i] = std::make_unique<Wire>(io, bench.instruments[i], id, dialects[i], proof);
  }
  while (!proof.is_finished(present()) && Clock::now() < deadline) {
    io.restart();
    io.run_for(std::chrono::milliseconds(2));
    drivers::Order order;
    while (proof.take_order(order, present())) wires[order.instrument]->order(order);
    for (const auto& wire : wires) {
      if (wire) wire->turn();
    }
  }
  cut.all_off = proof.all_off();
  cut.lines = proof.report();
  return cut;
}

}  // namespace chargewright::daemon
