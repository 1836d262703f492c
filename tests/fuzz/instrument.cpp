// An instrument that answers whatever it likes: every order ends exactly once, what is done has a
// finite value, nothing is done on an answer that the dialect does not have, and nothing waits for
// ever.

#include "drivers/instrument.h"

#include <array>
#include <cmath>
#include <map>

#include "tests/fuzz/fuzz.h"
#include "tests/support/places.h"

namespace chargewright::fuzz {
namespace {

using namespace drivers;

const Dialect& dialect(unsigned which) {
  static const std::string shipped = chargewright::test::in_source("drivers/dialects");
  static const std::array dialects{
      load_dialect("scpi-supply", {shipped}).value(), load_dialect("scpi-meter", {shipped}).value(),
      load_dialect("scpi-thermometer", {shipped}).value(),
      load_dialect("scpi-switch", {shipped}).value(), [] {
        Dialect silent = load_dialect("scpi-supply", {shipped}).value();
        silent.resync.reset();
        silent.resync_send = {};
        return silent;
      }()};
  return dialects[which % dialects.size()];
}

class Story {
 public:
  explicit Story(unsigned which)
      : dialect_(dialect(which)),
        instrument_({.name = "S1",
                     .id = 2,
                     .identity = which % 2 == 0 ? "" : "Example,PS-20-20,.*",
                     .dialect = dialect_}) {
    instrument_.link_up(now_);
  }

  void happens(Plan& plan) {
    switch (plan.up_to(7)) {
      case 0:
      case 1:
        order(plan);
        break;
      case 2:
        hear(plan.piece());
        break;
      case 3:
        answer(plan.up_to(9));
        break;
      case 4:
        now_ += std::chrono::milliseconds(plan.byte());
        instrument_.turn(now_);
        break;
      case 5:
        write(plan.byte());
        break;
      case 6:
        instrument_.link_down(now_);
        take();
        CLAIM(pending_.empty());
        instrument_.link_up(now_);
        break;
      case 7:
        write(4096);
        answer_resync();
        break;
    }
    take();
    for (int i = 0; i < 64 && instrument_.wake() <= now_; ++i) instrument_.turn(now_);
    CLAIM(instrument_.wake() > now_);  // else its shell would spin
    take();
  }

  // Every order ends in bounded time, though nobody answers any more.
  void wait() {
    for (int i = 0; i < 20'000 && !pending_.empty(); ++i) {
      write(4096);
      CLAIM(instrument_.wake() != never);
      now_ = std::max(now_, instrument_.wake());
      instrument_.turn(now_);
      take();
    }
    CLAIM(pending_.empty());
  }

 private:
  void order(Plan& plan) {
    const std::array values{0.0, 4.2, -1.0, 1e9, 1e300, 1.0, 2.5, std::nan(""), HUGE_VAL, 1e-9};
    const Order order{.ticket = ++ticket_,
                      .instrument = 2,
                      .channel = static_cast<std::uint8_t>(plan.up_to(3)),
                      .verb = static_cast<Verb>(plan.up_to(verb_count - 1)),
                      .urgent = plan.up_to(4) == 0,
                      .value = values[plan.byte() % values.size()]};
    pending_[ticket_] = order;
    instrument_.order(order, now_);
  }
  void hear(std::string_view bytes) { instrument_.receive(bytes, now_); }
  void answer(unsigned which) {
    constexpr std::array<std::string_view, 10> answers{
        "+4.20000000E+00\n", "1\n",      "0\n",     "1;0\n",        "0,\"No error\"\n",
        "9.91E37\n",         "9.9E37\n", "4.2;1\n", "-222,\"x\"\n", "Example,PS-20-20,1,1.0\n"};
    hear(answers[which]);
  }
  void answer_resync() {
    for (int i = 0; i < 2; ++i) {
      const std::size_t from = sent_.rfind("*ESE ");
      if (from == std::string::npos) return;
      hear(sent_.substr(from + 5, sent_.find('\n', from) - from - 5) + '\n');
      write(4096);
    }
  }
  void write(std::size_t most) {
    const std::string_view bytes = instrument_.to_write().substr(0, most);
    for (const char c : bytes) CLAIM(c == '\n' || (c >= 0x20 && c < 0x7F));
    sent_ += bytes;
    instrument_.written(bytes.size());
    if (sent_.size() > 4000) sent_.erase(0, sent_.size() - 2000);
  }
  void take() {
    Outcome outcome;
    while (instrument_.take(outcome)) {
      CLAIM(pending_.erase(outcome.order.ticket) == 1);
      CLAIM(outcome.asked <= outcome.answered);
      CLAIM(outcome.answered <= now_);
      const bool spelt = dialect_.has(outcome.order.verb);
      CLAIM((outcome.ending == Ending::absent) == !spelt || outcome.ending == Ending::refused ||
            outcome.ending == Ending::link_down);
      if (outcome.ending != Ending::done) continue;
      CLAIM(spelt);
      // A command that nothing proves has the value that was ordered.
      CLAIM(std::isfinite(outcome.value) || !std::isfinite(outcome.order.value));
      if (outcome.order.verb == Verb::identify) CLAIM(outcome.value == 1);
    }
  }

  const Dialect& dialect_;
  Instant now_{};
  Instrument instrument_;
  std::map<std::uint32_t, Order> pending_;
  std::uint32_t ticket_ = 0;
  std::string sent_;
};

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  Plan plan(data, size);
  Story story(plan.byte());
  while (!plan.is_over()) story.happens(plan);
  story.wait();
  return 0;
}
