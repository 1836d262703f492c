// The dead-man (S4, S6) as it is driven by its shell, with whatever bytes, pieces and times.
//
// Some stories are the watch over the daemon: its verdict is one that the bytes explain, and
// it comes in bounded time. The others are the cut, over links that come and go, to instruments
// that obey or do not, with old answers on the way and a hand at the panel. No output is believed
// off that was not asked and did not answer after its order, and where nobody else wrote on the
// links none through which current always flowed. Once the links stay up, every order of the sheet
// has been sent and everything that obeys is proved off within bounded time, whatever the rest
// does.

#include <algorithm>
#include <deque>

#include "safety/dead_man/cut.h"
#include "tests/fuzz/sheets.h"
#include "tests/fuzz/watching.h"

namespace chargewright::fuzz {
namespace {

using namespace safety;
using namespace std::chrono_literals;
using drivers::Duration;
using drivers::Instant;

// What an instrument is, and what it knows of the channels that hang on it. Honest: it answers in
// order, what is so at that moment.
struct Device {
  bool up = false;
  bool spoken_over = false;      // by somebody who is no instrument: bytes prove nothing then
  std::string arriving;          // written by the cut, not here yet
  std::deque<std::string> todo;  // messages
  std::string answers;           // not delivered yet
  std::string enabled = "0";
};

constexpr int notes_max = 400;

// One channel: what is so, and what was seen of the cut.
struct Channel {
  bool on = true, closed = true;
  bool obeys = true, opens = true;
  bool was_dead = false;  // no current could flow at some moment since the cut began
  // Of this connection and this cut. A question counts once it was written after the first order,
  // and an answer once a line ended after that.
  int off_sent = 0, zero_sent = 0, open_sent = 0;
  bool off_answered = false, open_answered = false, current_answered = false;
  bool off_asked = false, open_asked = false, current_asked = false;
  bool believed = false;  // noted as verified
};

class Story {
 public:
  explicit Story(Plan& plan)
      : sheet_(decode_cut_sheet(encode(sheet(plan))).value()),
        devices_(sheet_.links.size()),
        channels_(sheet_.outputs.size()),
        cut_(sheet_) {
    for (Device& device : devices_) {  // what the dead daemon had asked
      for (unsigned k = plan.up_to(3); k > 0; --k)
        device.answers += plan.up_to(1) == 0 ? "0\n" : "0.001\n";
    }
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      channels_[i].obeys = plan.up_to(7) != 0;
      channels_[i].opens = plan.up_to(7) != 0;
    }
    cut_.begin(now_);
    look();
  }

  void happens(Plan& plan) {
    now_ += 1ns;
    const unsigned what = plan.up_to(15);
    const std::size_t k = plan.byte() % devices_.size();
    Device& device = devices_[k];
    if (what < 4) {
      now_ += std::chrono::milliseconds(plan.byte());
    } else if (what < 6) {
      open(k);
    } else if (what == 6) {
      close(k, plan.up_to(1) == 0);
    } else if (what < 9) {
      arrive(device, plan.byte());
    } else if (what < 11) {
      serve(device, 1 + plan.up_to(3));
    } else if (what < 14) {
      deliver(k, 1 + plan.byte());
    } else if (what == 14) {
      device.spoken_over = true;
      hear(k, plan.piece());
    } else if (plan.up_to(7) != 0) {
      a_hand(plan.byte());
    } else if (cut_.all_off()) {
      again();
    }
    turn();
  }

  // The links stay up, but for one that is dead; nothing is slow, nobody else has a hand in it.
  void calm(std::size_t dead_link) {
    dead_link_ = dead_link;
    for (std::size_t k = 0; k < devices_.size(); ++k) {
      now_ += 1ns;
      if (k != dead_link) {
        open(k);
      } else if (cut_.uses(k)) {
        close(k, false);
        cut_.link_down(k, "refused", now_);
        look();
        CLAIM(told_dead_ || notes_ == notes_max);
      }
    }
    end();
    if (cut_.finished(now_)) {
      again();
      end();
    }
  }

 private:
  [[nodiscard]] const CutOutput& of(std::size_t i) const { return sheet_.outputs[i]; }

  [[nodiscard]] bool flows(std::size_t i) const { return channels_[i].on && channels_[i].closed; }

  void open(std::size_t k) {
    if (devices_[k].up || !cut_.uses(k)) return;
    devices_[k].up = true;
    cut_.link_up(k, now_);
    flush(k);
  }

  // What was on its way reaches the instrument, or not; a serial cable keeps what it has to say.
  void close(std::size_t k, bool arrives) {
    Device& device = devices_[k];
    if (!device.up) return;
    device.up = false;
    if (arrives) {
      arrive(device, std::string::npos);
      serve(device, std::string::npos);
    }
    device.arriving.clear();
    device.todo.clear();
    if (!sheet_.links[k].address.starts_with("serial")) device.answers.clear();
    cut_.link_down(k, "lost", now_);
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      Channel& channel = channels_[i];
      if (of(i).ammeter == k) channel.current_asked = false;
      if (of(i).source == k) channel.off_asked = false;
      if (of(i).contactor == k) channel.open_asked = false;
      if (channel.believed) continue;  // what was sent has done its work
      if (of(i).source == k) channel.off_sent = channel.zero_sent = 0;
      if (of(i).contactor == k) channel.open_sent = 0;
    }
  }

  // Everything anew: what was proved before counts no more.
  void again() {
    now_ += 1s;
    cut_.again(now_);
    for (Channel& channel : channels_) {
      channel = {.on = channel.on,
                 .closed = channel.closed,
                 .obeys = channel.obeys,
                 .opens = channel.opens};
    }
  }

  // Until all is done that can be.
  void end() {
    constexpr Duration bound = 2 * Cut::source_within;
    for (const Instant began = now_; !is_done(); now_ += 5ms) {  // as the shell looks
      CLAIM(now_ - began < bound);
      for (std::size_t k = 0; k < devices_.size(); ++k) {
        arrive(devices_[k], std::string::npos);
        serve(devices_[k], std::string::npos);
        deliver(k, std::string::npos);
      }
      turn();
    }
  }

  void turn() {
    cut_.turn(now_);
    look();  // before what follows from it leaves
    for (std::size_t k = 0; k < devices_.size(); ++k) flush(k);
    look();
  }

  void flush(std::size_t k) {
    if (!devices_[k].up) return;
    now_ += 1ns;
    const std::string bytes = cut_.take_to_write(k, now_);
    devices_[k].arriving += bytes;
    const std::string& end = sheet_.links[k].terminator;
    for (std::string_view rest = bytes; !rest.empty();) {
      const auto at = rest.find(end);
      CLAIM(at != std::string_view::npos);  // whole messages only
      sent(rest.substr(0, at));
      rest.remove_prefix(at + end.size());
    }
  }

  void sent(std::string_view message) {
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      Channel& channel = channels_[i];
      const CutOutput& output = of(i);
      if (message.empty()) return;
      if (message == output.off && channel.off_sent++ == 0) {
        if (output.open.empty()) channel.was_dead = !flows(i);
        channel.off_asked = channel.off_answered = false;
        if (!output.contactor_state) channel.current_asked = channel.current_answered = false;
      }
      if (message == output.open && channel.open_sent++ == 0) {
        channel.open_asked = channel.open_answered = false;
        if (!output.state && !output.contactor_state) {  // the current alone tells of it
          channel.current_asked = channel.current_answered = false;
        }
      }
      if (!output.zero.empty() && message == output.zero.front()) ++channel.zero_sent;
      if (output.state && message == output.state->text) channel.off_asked = true;
      if (output.contactor_state && message == output.contactor_state->text) {
        channel.open_asked = true;
      }
      if (output.current && message == output.current->text) channel.current_asked = true;
    }
  }

  static void arrive(Device& device, std::size_t most) {
    const std::string bytes = device.arriving.substr(0, most);
    device.arriving.erase(0, bytes.size());
    for (const char c : bytes) {
      if (device.todo.empty()) device.todo.emplace_back();
      if (c == '\n') device.todo.emplace_back();
      if (c >= ' ') device.todo.back() += c;
    }
  }

  // The last message has not ended yet.
  void serve(Device& device, std::size_t most) {
    for (std::size_t k = 0; k < most && device.todo.size() > 1; ++k) {
      obey(device, device.todo.front());
      device.todo.pop_front();
    }
  }

  void obey(Device& device, std::string_view message) {
    if (message.starts_with("ESE ")) device.enabled = message.substr(4);
    if (message == "ESE?") device.answers += device.enabled + '\n';
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      Channel& channel = channels_[i];
      const CutOutput& output = of(i);
      if (message.empty()) return;
      if (message == output.off && channel.obeys) channel.on = false;
      if (message == output.open && channel.opens) channel.closed = false;
      if (output.state && message == output.state->text)
        device.answers += channel.on ? "1\n" : "0\n";
      if (output.contactor_state && message == output.contactor_state->text) {
        device.answers += channel.closed ? "1\n" : "0\n";
      }
      if (output.current && message == output.current->text) {
        device.answers += flows(i) ? "1.5\n" : "0.001\n";
      }
      channel.was_dead = channel.was_dead || !flows(i);
    }
  }

  void deliver(std::size_t k, std::size_t most) {
    const std::string bytes = devices_[k].answers.substr(0, most);
    devices_[k].answers.erase(0, bytes.size());
    hear(k, bytes);
  }

  void hear(std::size_t k, std::string_view bytes) {
    if (!devices_[k].up || bytes.empty()) return;
    const bool line = bytes.find_first_of("\r\n") != std::string_view::npos;
    for (std::size_t i = 0; line && i < channels_.size(); ++i) {
      Channel& channel = channels_[i];
      if (of(i).source == k && channel.off_asked) channel.off_answered = true;
      if (of(i).contactor == k && channel.open_asked) channel.open_answered = true;
      if (of(i).ammeter == k && channel.current_asked) channel.current_answered = true;
    }
    now_ += 1ns;
    cut_.receive(k, bytes, now_);
  }

  // At the panel of an instrument.
  void a_hand(unsigned at) {
    Channel& channel = channels_[at % channels_.size()];
    channel.on = (at & 64) != 0;
    channel.closed = (at & 128) != 0 || of(at % channels_.size()).open.empty();
    channel.was_dead = channel.was_dead || !flows(at % channels_.size());
  }

  void look() {
    for (const Cut::Note& note : cut_.take_notes()) {
      CLAIM(note.at <= now_ && !note.text.empty());
      ++notes_;
      told_dead_ = told_dead_ || note.text.ends_with(": no link: refused");
      for (std::size_t i = 0; i < channels_.size(); ++i) {
        if (note.text.starts_with(of(i).name + ": off, verified")) believe(i);
      }
    }
    CLAIM(notes_ <= notes_max);
    if (!cut_.all_off()) {
      CLAIM(!cut_.finished(now_));
      return;
    }
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      if (!channels_[i].believed) believe(i);
    }
  }

  void believe(std::size_t i) {
    Channel& channel = channels_[i];
    const CutOutput& output = of(i);
    channel.believed = true;
    const bool off = output.state && channel.off_answered;
    const bool opened = output.contactor_state && channel.open_answered;
    if (output.state || output.contactor_state) {
      CLAIM(off || opened);
    } else {
      CLAIM(channel.off_sent > 0 || channel.open_sent > 0);
      CLAIM(output.current.has_value());
    }
    CLAIM(!output.current || channel.current_answered);
    if (is_honest(i)) CLAIM(channel.was_dead);
  }

  // Nobody spoke over its links, and old answers can be told from new ones on them.
  [[nodiscard]] bool is_honest(std::size_t i) const {
    return std::ranges::all_of(
        std::array{of(i).source, of(i).ammeter, of(i).contactor}, [&](std::size_t k) {
          return !devices_[k].spoken_over && !sheet_.links[k].nonce_ask.empty();
        });
  }

  [[nodiscard]] bool is_dead(std::size_t link) const { return link == dead_link_; }

  // By an order that is obeyed and can be asked for.
  [[nodiscard]] bool can_be_proved(std::size_t i) const {
    const CutOutput& output = of(i);
    const bool off = !output.off.empty() && channels_[i].obeys && !is_dead(output.source);
    const bool opened = !output.open.empty() && channels_[i].opens && !is_dead(output.contactor);
    if (output.current && is_dead(output.ammeter)) return false;
    if (output.state && off) return true;
    if (output.contactor_state && opened) return true;
    return !output.state && !output.contactor_state && output.current && (off || opened);
  }

  // Every order that can be sent was; everything that can be proved is.
  [[nodiscard]] bool is_done() const {
    bool finished = true;
    for (std::size_t i = 0; i < channels_.size(); ++i) {
      const Channel& channel = channels_[i];
      const CutOutput& output = of(i);
      if (can_be_proved(i) && !channel.believed) return false;
      const bool must_open = !output.open.empty() && !is_dead(output.contactor);
      if (must_open && channel.open_sent == 0 && !channel.open_answered) return false;
      finished = finished && channel.believed;
      if (channel.believed || is_dead(output.source)) continue;
      if (!output.off.empty() && channel.off_sent < 2) return false;
      if (!output.zero.empty() && channel.zero_sent == 0) return false;
    }
    return !finished || cut_.finished(now_);
  }

  CutSheet sheet_;
  std::vector<Device> devices_;
  std::vector<Channel> channels_;
  Cut cut_;
  Instant now_{1h};
  std::size_t dead_link_ = SIZE_MAX;
  bool told_dead_ = false;
  int notes_ = 0;
};

}  // namespace
}  // namespace chargewright::fuzz

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  using namespace chargewright::fuzz;
  Plan plan(data, size);
  if (plan.up_to(3) == 0) {
    Watching watching(plan);
    while (!plan.is_over()) watching.happens(plan);
    watching.end();
    return 0;
  }
  const std::size_t dead_link = plan.up_to(9);  // mostly none
  Story story(plan);
  while (!plan.is_over()) story.happens(plan);
  story.calm(dead_link);
  return 0;
}
