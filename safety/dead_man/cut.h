#pragma once
// Brings every output of a cut sheet to off and proves it (S4, S6): off at once on every link that
// opens, all in parallel; then the output's state and the current are asked; what is not proved is
// ordered again, with setpoints to zero; the contactor is opened when the current has stopped, or
// after half a second at the latest. Never gives up by itself. Plain code: bytes and time in, bytes
// out.

#include <string>
#include <string_view>
#include <vector>

#include "safety/dead_man/cut_sheet.h"
#include "safety/dead_man/line.h"

namespace chargewright::safety {

class Cut {
 public:
  // `sheet` outlives the cut.
  explicit Cut(const CutSheet& sheet);

  void begin(drivers::Instant now);
  // Everything once more, over the same links: what the dead daemon had written and the network
  // still carried may have come after the proof.
  void again(drivers::Instant now);
  void link_up(std::size_t link, drivers::Instant now);
  void link_down(std::size_t link, std::string_view why, drivers::Instant now);
  void receive(std::size_t link, std::string_view bytes, drivers::Instant now);
  void turn(drivers::Instant now);
  [[nodiscard]] std::string take_to_write(std::size_t link, drivers::Instant now);
  [[nodiscard]] drivers::Instant wake() const;

  // Needed at all: an instrument that only measures voltage is not.
  [[nodiscard]] bool uses(std::size_t link) const;
  [[nodiscard]] bool all_off() const;  // every channel's output proved off
  // That, every contactor that can be reached was ordered open, and every source told off; one
  // whose link is down is waited for a while.
  [[nodiscard]] bool finished(drivers::Instant now) const;
  // What a person should look at though every output is verified off; nothing: all is well.
  [[nodiscard]] std::string doubts() const;

  // What was done, for the log; bounded: what repeats is said once.
  struct Note {
    drivers::Instant at;
    std::string text;
  };
  std::vector<Note> take_notes();

  static constexpr drivers::Duration stage = std::chrono::milliseconds(500);
  static constexpr drivers::Duration source_within = std::chrono::seconds(10);  // its link

 private:
  enum class About { state, current, contactor };
  // Off or open, over one link and in one cut, once and again. What was asked for after the first
  // counts: were it after the newest, an instrument slower than the repeats would prove nothing.
  // One that wants pauses gets an order later than it is given.
  struct Order {
    drivers::Instant first = drivers::never;       // given
    drivers::Instant first_sent = drivers::never;  // over a link that is still up
    drivers::Instant sent = drivers::never;        // the newest, likewise
    std::size_t number = unsaid;                   // of the newest, on its line
    static constexpr std::size_t unsaid = SIZE_MAX;
    [[nodiscard]] bool was_given() const { return first != drivers::never; }
    [[nodiscard]] bool was_sent() const { return sent != drivers::never; }
    [[nodiscard]] bool waits() const { return number != unsaid && !was_sent(); }
  };
  struct Output {
    const CutOutput* sheet = nullptr;
    Order off{};
    Order open{};
    drivers::Instant state_asked{}, current_asked{}, contactor_asked{};
    drivers::Instant said_on{};   // by its state, the last time
    int offs = 0;                 // sent
    int opens = 0;                // likewise
    bool reads_off = false;       // its state said so, asked after the off
    bool contactor_open = false;  // likewise, after the opening
    bool no_current = false;      // measured, asked after what should have stopped it
    bool flows = false;           // likewise
    bool says_on = false;         // since the newest off
    bool told_open = false;       // by a note
    bool verified = false;
    double current = 0;
  };
  struct Asked {
    std::size_t output = 0;
    About about = About::state;
  };

  static void lose(Order& order, bool proved);
  void see_sent(std::size_t link, drivers::Instant now);
  void begin_off(Output& output, drivers::Instant now);
  void begin_open(Output& output, drivers::Instant now);
  void repeat_off(Output& output, drivers::Instant now);
  void repeat_open(Output& output);
  void say_off(Output& output, drivers::Instant now);
  void say_open(Output& output);
  void ask_next(std::size_t link, drivers::Instant now);
  static drivers::Instant settled(const Order& order, const CutQuestion& question);
  [[nodiscard]] bool is_state_due(const Output& output, drivers::Instant now) const;
  [[nodiscard]] bool is_contactor_due(const Output& output, drivers::Instant now) const;
  [[nodiscard]] bool is_current_due(const Output& output, drivers::Instant now) const;
  void take_answer(std::size_t link, drivers::Instant now);
  void see(Output& output, About about, const drivers::scpi::Meaning& meaning,
           drivers::Instant now);
  void judge(Output& output, drivers::Instant now);
  [[nodiscard]] drivers::Instant current_counts_from(const Output& output) const;
  [[nodiscard]] bool path_open(const Output& output) const;
  [[nodiscard]] bool contactor_done(const Output& output, drivers::Instant now) const;
  [[nodiscard]] static bool was_told_off(const Output& output);
  void note(drivers::Instant now, std::string text);

  const CutSheet& sheet_;
  std::vector<CutLine> lines_;
  std::vector<Asked> asked_;              // by link: its newest question
  std::vector<std::string> down_;         // by link: why, as last noted
  std::vector<drivers::Duration> round_;  // by link: the pauses between all that it may be told
  std::vector<Output> outputs_;
  drivers::Instant began_{};
  drivers::Instant sources_until_{};  // told by then, or not waited for
  std::vector<Note> notes_;
  std::size_t noted_ = 0;
};

}  // namespace chargewright::safety
