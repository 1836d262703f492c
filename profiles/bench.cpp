#include "profiles/bench.h"

#include <algorithm>
#include <regex>

#include "drivers/quantity_text.h"
#include "profiles/bench_times.h"
#include "profiles/fields.h"

namespace chargewright::profiles {

using namespace drivers;
using namespace std::chrono_literals;

namespace {

constexpr std::size_t identity_longest = 256;  // bounds what a regular expression can cost
constexpr Duration allowed_age_min = 500ms;
// The checks before a run look at the cell twice, and each look waits for new readings.
constexpr int looks_in_arming = 2;

// `0.05 % + 5 mV`, or either part alone.
template <class T>
Result<Accuracy> parse_accuracy(std::string_view text) {
  Accuracy accuracy;
  const std::size_t plus = text.find('+', 1);
  std::vector<std::string_view> parts{text.substr(0, plus)};
  if (plus != std::string_view::npos) parts.push_back(text.substr(plus + 1));
  for (const std::string_view part : parts) {
    if (part.find('%') != std::string_view::npos) {
      const Result<double> percent = parse_percent(part);
      if (!percent) return percent.error();
      accuracy.relative += *percent;
    } else {
      const Result<T> constant = parse<T>(part);
      if (!constant) return constant.error();
      accuracy.constant += constant->value();
    }
  }
  if (accuracy.relative < 0 || accuracy.constant < 0 || accuracy.relative > 1) {
    return Failure{{}, "an accuracy must lie between nothing and 100 %", {}};
  }
  return accuracy;
}

Result<std::string> parse_identity(std::string_view text) {
  if (text.empty() || text.size() > identity_longest) {
    return Failure{
        {}, "an identity must have 1 to " + std::to_string(identity_longest) + " characters", {}};
  }
  try {
    const std::regex pattern{std::string(text)};
  } catch (const std::regex_error& error) {
    return Failure{{},
                   std::string("the identity is not a regular expression: ") + error.what(),
                   "write what *IDN? answers, for example \"Example,PS-20-20,.*\""};
  }
  return std::string(text);
}

class Reader {
 public:
  explicit Reader(const Document& document) : document_(document) {
    bench.file = document.file;
    bench.text = document.text;
  }

  void read() {
    Mapping mapping(document_, document_.root, problems, "a bench file");
    bench.name = name_field(mapping, "bench", Presence::needed).value_or("");
    text_field(mapping, "description", Presence::optional, 2000);
    if (const Node* node = mapping.need("instruments")) read_instruments(mapping, *node);
    if (const Node* node = mapping.need("channels")) read_channels(mapping, *node);
    refuse_others_sources();
    number_the_first();
    mapping.finish();
  }

  Bench bench;
  Failures problems;

 private:
  bool is_list_of_names(Mapping& parent, const Node& node, const std::string& what,
                        std::size_t most) {
    if (node.kind != NodeKind::mapping || node.fields.empty()) {
      parent.complain(node, "`" + what + "` must be a mapping from names to their parts");
      return false;
    }
    if (node.fields.size() > most) {
      parent.complain(node, "more than " + std::to_string(most) + ' ' + what);
      return false;
    }
    for (const auto& [name, value] : node.fields) {
      if (!is_name(name)) {
        problems.list.push_back({{document_.file, value.key_line, value.key_column},
                                 "not a name: `" + name.substr(0, 60) + '`',
                                 "use letters, digits, `-`, `_` and `.`, at most 64"});
      }
    }
    return true;
  }

  void read_instruments(Mapping& parent, const Node& node) {
    if (!is_list_of_names(parent, node, "instruments", safety::max_instruments)) return;
    for (const auto& [name, value] : node.fields) read_instrument(name, value);
  }

  void read_instrument(const std::string& name, const Node& node) {
    BenchInstrument instrument;
    instrument.name = name;
    instrument.place = {document_.file, node.key_line, node.key_column};
    Mapping fields(document_, node, problems, "instrument `" + name.substr(0, 60) + '`');
    if (const auto link = parsed<LinkAddress>(fields, "link", Presence::needed, parse_link)) {
      instrument.link = *link;
      const Node& at = *fields.take("link");
      instrument.link_text = at.scalar;
      for (const BenchInstrument& other : bench.instruments) {
        if (!other.link_text.empty() && drivers::to_text(other.link) == drivers::to_text(*link)) {
          fields.complain(at, "the link of instrument `" + other.name + "` again",
                          "one instrument on each link; its channels are SOURCE/1, SOURCE/2");
        }
      }
    }
    instrument.dialect = name_field(fields, "dialect", Presence::needed).value_or("");
    instrument.identity =
        parsed<std::string>(fields, "identity", Presence::optional, parse_identity).value_or("");
    if (const Node* ratings = fields.take("ratings")) read_ratings(*ratings, instrument);
    if (const Node* accuracy = fields.take("accuracy")) read_accuracy(*accuracy, instrument);
    if (const Node* deadlines = fields.take("deadlines")) {
      Mapping times(document_, *deadlines, problems, "`deadlines`");
      instrument.respond = between(times, "respond", 1ms, 60s);
      times.finish();
    }
    if (const Node* response = fields.take("response")) {
      Mapping times(document_, *response, problems, "`response`");
      instrument.response.round_trip = between(times, "round-trip", 0ms, 60s);
      instrument.response.settling = between(times, "settling", 0ms, 60s);
      instrument.response.lag = between(times, "lag", 0ms, 1h);
      times.finish();
    }
    fields.finish();
    bench.instruments.push_back(std::move(instrument));
  }

  void read_ratings(const Node& node, BenchInstrument& instrument) {
    instrument.ratings_place = document_.place(node);
    Mapping fields(document_, node, problems, "`ratings`");
    instrument.ratings.voltage = positive<Volts>(fields, "voltage");
    instrument.ratings.current = positive<Amperes>(fields, "current");
    instrument.ratings.power = positive<Watts>(fields, "power");
    fields.finish();
  }

  void read_accuracy(const Node& node, BenchInstrument& instrument) {
    Mapping fields(document_, node, problems, "`accuracy`");
    instrument.accuracy.voltage =
        parsed<Accuracy>(fields, "voltage", Presence::optional, parse_accuracy<Volts>)
            .value_or(Accuracy{});
    instrument.accuracy.current =
        parsed<Accuracy>(fields, "current", Presence::optional, parse_accuracy<Amperes>)
            .value_or(Accuracy{});
    instrument.accuracy.temperature = positive<Kelvins>(fields, "temperature").value_or(kelvins(0));
    fields.finish();
  }

  void read_channels(Mapping& parent, const Node& node) {
    if (!is_list_of_names(parent, node, "channels", safety::max_channels)) return;
    for (const auto& [name, value] : node.fields) read_channel(name, value);
  }

  void read_channel(const std::string& name, const Node& node) {
    BenchChannel channel;
    channel.name = name;
    channel.place = {document_.file, node.key_line, node.key_column};
    Mapping fields(document_, node, problems, "channel `" + name.substr(0, 60) + '`');
    const auto source = read_source(fields);
    channel.source = source.value_or(safety::Terminal{});
    channel.voltmeter = read_meter(fields, "voltage", channel.source);
    channel.ammeter = read_meter(fields, "current", channel.source);
    if (source) measure(fields, "voltage", channel.voltmeter, voltmeters_);
    if (source) measure(fields, "current", channel.ammeter, ammeters_);
    read_thermometers(fields, channel);
    channel.contactor = read_terminal(fields, "contactor");
    if (channel.contactor) claim(fields, "contactor", *channel.contactor);
    if (const Node* wiring = fields.need("wiring")) {
      channel.wiring = read_wiring(document_, *wiring, problems);
    }
    read_times(fields, channel);
    if (const auto off = positive<Amperes>(fields, "off-current")) channel.off_current = *off;
    read_disagreement(fields, channel);
    fields.finish();
    bench.channels.push_back(std::move(channel));
  }

  std::optional<safety::Terminal> read_source(Mapping& fields) {
    const Node* node = fields.need("source");
    if (node == nullptr) return std::nullopt;
    if (node->kind == NodeKind::sequence) {
      fields.complain(*node, "ganged sources are not supported yet", "name one source");
      return std::nullopt;
    }
    if (node->kind == NodeKind::mapping || node->scalar == "fixed") {
      fields.complain(*node, "a fixed source is not supported yet",
                      "name a source whose voltage and current can be set");
      return std::nullopt;
    }
    const auto terminal = read_terminal(fields, "source");
    if (!terminal || !claim(fields, "source", *terminal)) return std::nullopt;
    const BenchInstrument& instrument = bench.instruments[terminal->instrument];
    // The gate refuses beyond the ratings (S2): without them it would have nothing to hold to.
    if (!instrument.ratings.voltage || !instrument.ratings.current) {
      fields.complain(
          *node, "source `" + instrument.name + "` has no ratings of voltage and current",
          "add for example `ratings: {voltage: 20 V, current: 20 A}` to the instrument");
    }
    return terminal;
  }

  // The source itself where none is named, or the source by the other of its names.
  safety::Terminal read_meter(Mapping& fields, std::string_view key, safety::Terminal source) {
    const safety::Terminal meter = read_terminal(fields, key).value_or(source);
    return numbered(meter) == numbered(source) ? source : meter;
  }

  // `supply`, or `supply/2` for its second output or input.
  std::optional<safety::Terminal> read_terminal(Mapping& fields, std::string_view key) {
    const Node* node = fields.take(key);
    return node == nullptr ? std::nullopt : terminal_at(fields, *node, key);
  }

  std::optional<safety::Terminal> terminal_at(Mapping& fields, const Node& node,
                                              std::string_view key) {
    const std::string* text = scalar(fields, node, key);
    if (text == nullptr) return std::nullopt;
    const std::size_t slash = text->find('/');
    const std::string name = text->substr(0, slash);
    safety::Terminal terminal;
    if (slash != std::string::npos) {
      const Result<double> number = parse_number(std::string_view(*text).substr(slash + 1));
      if (!number || *number < 1 || *number > 255 || *number != static_cast<int>(*number)) {
        fields.complain(node, "after `/` stands the number of an output or input, 1 to 255");
        return std::nullopt;
      }
      terminal.channel = static_cast<std::uint8_t>(*number);
    }
    const auto found = std::ranges::find(bench.instruments, name, &BenchInstrument::name);
    if (found == bench.instruments.end()) {
      std::vector<std::string> names;
      for (const BenchInstrument& instrument : bench.instruments) names.push_back(instrument.name);
      const std::string near = nearest_name(name, names);
      fields.complain(
          node, "no instrument is called `" + name.substr(0, 60) + '`',
          near.empty() ? "name one from `instruments`" : "did you mean `" + near + "`?");
      return std::nullopt;
    }
    terminal.instrument = static_cast<InstrumentId>(found - bench.instruments.begin());
    return terminal;
  }

  // `supply` and `supply/1` are the same output.
  static safety::Terminal numbered(safety::Terminal terminal) {
    terminal.channel = std::max<std::uint8_t>(terminal.channel, 1);
    return terminal;
  }

  // A source or a contactor serves one channel. False: it serves another.
  bool claim(Mapping& fields, std::string_view key, const safety::Terminal& terminal) {
    if (std::ranges::find(claimed_, numbered(terminal)) != claimed_.end()) {
      fields.complain(*fields.take(key),
                      '`' + std::string(key) + "` serves another channel already",
                      "one source and one contactor for each channel");
      return false;
    }
    claimed_.push_back(numbered(terminal));
    return true;
  }

  // What one channel's cell shows is never another's: each place measures one of them.
  void measure(Mapping& fields, std::string_view key, const safety::Terminal& terminal,
               std::vector<safety::Terminal>& measured) {
    if (std::ranges::find(measured, numbered(terminal)) != measured.end()) {
      const Node* node = fields.take(key);
      fields.complain(node != nullptr ? *node : *fields.take("source"),
                      "the `" + std::string(key) + "` of another channel is read there",
                      "name the output or input to which this cell is connected");
    }
    measured.push_back(numbered(terminal));
  }

  // Nor at the output of another channel, which may have a meter of its own.
  void refuse_others_sources() {
    for (const BenchChannel& channel : bench.channels) {
      for (const BenchChannel& other : bench.channels) {
        if (&other == &channel || other.source.instrument == drivers::no_instrument) continue;
        for (const auto& [key, meter, others] :
             {std::tuple{"voltage", channel.voltmeter, other.voltmeter},
              std::tuple{"current", channel.ammeter, other.ammeter}}) {
          if (numbered(meter) != numbered(other.source)) continue;
          if (others == other.source) continue;  // told of already
          problems.list.push_back({channel.place,
                                   std::string("its `") + key +
                                       "` is read at the source of channel `" + other.name + '`',
                                   "name the output or input to which this cell is connected"});
        }
      }
    }
  }

  // An unnumbered message goes to whichever output was selected last: where an instrument has
  // others, its first one bears its number, too.
  void number_the_first() {
    std::vector<safety::Terminal*> all;
    for (BenchChannel& channel : bench.channels) {
      all.insert(all.end(), {&channel.source, &channel.voltmeter, &channel.ammeter});
      for (safety::Terminal& thermometer : channel.thermometers) all.push_back(&thermometer);
      if (channel.contactor) all.push_back(&*channel.contactor);
    }
    for (safety::Terminal* terminal : all) {
      const bool has_others = std::ranges::any_of(all, [&](const safety::Terminal* other) {
        return other->instrument == terminal->instrument && other->channel > 0;
      });
      if (has_others) *terminal = numbered(*terminal);
    }
  }

  void read_thermometers(Mapping& fields, BenchChannel& channel) {
    const Node* node = fields.take("temperature");
    if (node == nullptr) return;
    if (node->kind != NodeKind::sequence) {
      if (const auto terminal = terminal_at(fields, *node, "temperature")) {
        channel.thermometers.push_back(*terminal);
      }
      return;
    }
    if (node->items.empty() || node->items.size() > safety::max_thermometers) {
      fields.complain(*node, "`temperature` names 1 to " +
                                 std::to_string(safety::max_thermometers) + " thermometers");
      return;
    }
    for (const Node& item : node->items) {
      const auto terminal = terminal_at(fields, item, "temperature");
      if (!terminal) continue;
      if (std::ranges::find(channel.thermometers, numbered(*terminal), &Reader::numbered) !=
          channel.thermometers.end()) {
        fields.complain(item, "the same thermometer twice");
      }
      channel.thermometers.push_back(*terminal);
    }
  }

  void read_times(Mapping& fields, BenchChannel& channel) {
    if (const auto every = between(fields, "every", 1ms, 60s)) channel.every = *every;
    channel.allowed_age = std::max(5 * channel.every, allowed_age_min);
    if (const auto age = between(fields, "allowed-age", 1ms, 5min)) {
      channel.allowed_age = *age;
      if (*age <= channel.every) {
        fields.complain(*fields.take("allowed-age"),
                        "`allowed-age` is " + drivers::to_text(*age) +
                            ", not longer than `every`, " + drivers::to_text(channel.every),
                        "a reading would be stale before the next one comes");
      }
    }
    if (const auto heartbeat = between(fields, "heartbeat", 100ms, 5min)) {
      channel.heartbeat = *heartbeat;
    }
    if (const auto stuck = between(fields, "stuck-after", 1s, 24h)) channel.stuck_after = *stuck;
  }

  void read_disagreement(Mapping& fields, BenchChannel& channel) {
    default_disagreement(channel);
    const Node* node = fields.take("disagree");
    if (node == nullptr) return;
    Mapping parts(document_, *node, problems, "`disagree`");
    if (const auto voltage = positive<Volts>(parts, "voltage")) channel.disagree_voltage = *voltage;
    if (const auto current = positive<Amperes>(parts, "current")) {
      channel.disagree_current = *current;
    }
    if (const auto delay = between(parts, "for", 0ms, 5min)) channel.disagree_for = *delay;
    parts.finish();
  }

  // Twice what the two accuracies allow at full scale, and at least 100 mV and 50 mA: readings are
  // not taken at the same moment (common practice, no source).
  void default_disagreement(BenchChannel& channel) const {
    channel.disagree_voltage = volts(0.100);
    channel.disagree_current = amperes(0.050);
    const auto known = [&](safety::Terminal terminal) {
      return terminal.instrument < bench.instruments.size();
    };
    if (!known(channel.source) || !known(channel.voltmeter) || !known(channel.ammeter)) return;
    const BenchInstrument& source = bench.instruments[channel.source.instrument];
    const BenchInstrument& voltmeter = bench.instruments[channel.voltmeter.instrument];
    const BenchInstrument& ammeter = bench.instruments[channel.ammeter.instrument];
    const double full_voltage = source.ratings.voltage.value_or(volts(0)).value();
    const double full_current = source.ratings.current.value_or(amperes(0)).value();
    const double voltage = 2 * (source.accuracy.voltage.of(full_voltage) +
                                voltmeter.accuracy.voltage.of(full_voltage));
    const double current =
        2 * (source.accuracy.current.of(full_current) + ammeter.accuracy.current.of(full_current));
    channel.disagree_voltage = std::max(channel.disagree_voltage, volts(voltage));
    channel.disagree_current = std::max(channel.disagree_current, amperes(current));
  }

  template <class T>
  std::optional<T> positive(Mapping& fields, std::string_view key) {
    auto value = quantity<T>(fields, key, Presence::optional);
    if (value && !(value->value() > 0)) {
      fields.complain(*fields.take(key), '`' + std::string(key) + "` must be more than nothing");
      return std::nullopt;
    }
    return value;
  }

  std::optional<Duration> between(Mapping& fields, std::string_view key, Duration least,
                                  Duration most) {
    auto value = quantity<Duration>(fields, key, Presence::optional);
    if (value && (*value < least || *value > most)) {
      fields.complain(*fields.take(key), '`' + std::string(key) + "` must be from " +
                                             drivers::to_text(least) + " to " +
                                             drivers::to_text(most));
      return std::nullopt;
    }
    return value;
  }

  const Document& document_;
  std::vector<safety::Terminal> claimed_;
  std::vector<safety::Terminal> voltmeters_;
  std::vector<safety::Terminal> ammeters_;
};

}  // namespace

Checked<Bench> read_bench(const Document& document) {
  Reader reader(document);
  reader.read();
  if (reader.problems.list.empty()) return std::move(reader.bench);
  sort_by_place(reader.problems);
  return std::move(reader.problems);
}

Checked<Bench> load_bench(const std::string& path) {
  const Checked<Document> document = read_document(path);
  if (!document) return document.error();
  return read_bench(*document);
}

Result<std::size_t> find_channel(const Bench& bench, std::string_view name) {
  std::string names;
  for (std::size_t i = 0; i < bench.channels.size(); ++i) {
    if (bench.channels[i].name == name) return i;
    names += (names.empty() ? "" : ", ") + bench.channels[i].name;
  }
  if (name.empty() && bench.channels.size() == 1) return 0UL;
  return Failure{{bench.file, 0, 0},
                 name.empty()
                     ? "the bench has several channels"
                     : "the bench has no channel `" + std::string(name.substr(0, 60)) + '`',
                 "name one of " + names};
}

safety::Plant plant_of(const Bench& bench) {
  safety::Plant plant;
  plant.instruments = static_cast<std::uint8_t>(bench.instruments.size());
  for (const BenchChannel& channel : bench.channels) {
    const BenchInstrument& source = bench.source_of(channel);
    safety::ChannelPlan plan;
    plan.source = channel.source;
    plan.voltmeter = channel.voltmeter;
    plan.ammeter = channel.ammeter;
    for (const safety::Terminal& thermometer : channel.thermometers) {
      plan.thermometers.push_back(thermometer);
    }
    plan.contactor = channel.contactor;
    plan.loop_resistance = loop_resistance(channel.wiring);
    plan.voltage_disagreement = channel.disagree_voltage;
    plan.current_disagreement = channel.disagree_current;
    plan.off_current = channel.off_current;
    plan.every = channel.every;
    plan.arm_within += looks_in_arming * channel.every;
    plan.allowed_age = channel.allowed_age;
    plan.disagree_delay = channel.disagree_for;
    plan.stuck_after = channel.stuck_after;
    plan.heartbeat = channel.heartbeat;
    plan.settling = source.response.settling.value_or(assumed_settling);
    plan.source_voltage_max = source.ratings.voltage.value_or(volts(0));
    plan.source_current_max = source.ratings.current.value_or(amperes(0));
    if (channel.wiring.rated) {
      plan.source_current_max = std::min(plan.source_current_max, *channel.wiring.rated);
    }
    plan.source_power_max =
        source.ratings.power.value_or(plan.source_voltage_max * plan.source_current_max);
    plant.channels.push_back(plan);
  }
  return plant;
}

}  // namespace chargewright::profiles
