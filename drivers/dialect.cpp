#include "drivers/dialect.h"

#include <algorithm>
#include <charconv>
#include <filesystem>
#include <tuple>

#include "drivers/dialect_clash.h"
#include "drivers/dialect_words.h"
#include "drivers/quantity_text.h"

namespace chargewright::drivers {
namespace {

Failure failure(std::string cause, std::string advice = {}) {
  return {.place = {}, .cause = std::move(cause), .advice = std::move(advice)};
}

// A name becomes part of a path: nothing but what names a file in the folder itself.
bool is_name(std::string_view text) {
  return !text.empty() && text.size() <= 64 && text.front() != '-' &&
         text.find_first_not_of("abcdefghijklmnopqrstuvwxyz0123456789-") == std::string_view::npos;
}

Result<std::uint32_t> parse_mask(std::string_view text) {
  int base = 10;
  std::string_view digits = text;
  if (digits.starts_with("0x")) {
    digits.remove_prefix(2);
    base = 16;
  }
  std::uint32_t value = 0;
  const char* const end = digits.data() + digits.size();
  const auto [stop, error] = std::from_chars(digits.data(), end, value, base);
  if (error != std::errc{} || stop != end) {
    return failure("`" + std::string(text) + "` is not a bit mask", "write 3 or 0x3");
  }
  return value;
}

class Loader {
 public:
  Loader(const std::vector<std::string>& folders, Failures& problems)
      : folders_(folders), problems_(problems) {}

  // Reads NAME.yaml, the dialects that it extends first.
  void load(std::string_view name, const Place& mentioned, int depth);
  void check_roles();
  void check_clashes();
  Dialect& dialect() { return dialect_; }

 private:
  std::string find(std::string_view name) const;
  void read(Mapping& file);
  void read_role(Mapping& file);
  void read_times(Mapping& file);
  void read_endings(Mapping& file);
  void read_resync(Mapping& file);
  void read_verb(Mapping& file, Verb verb);
  void read_ask(Mapping& fields, const Node& at, Verb verb, Ask& ask);
  void read_proof(Mapping& fields, const VerbRow& row, Ask& ask);
  void read_bits(Mapping& fields, const Node& node, Verb verb, Ask& ask);

  static const std::string* word(Mapping& fields, const Node* node);
  bool message(Mapping& fields, const Node* node, char unit, Template& into);
  void duration(Mapping& fields, std::string_view key, Duration& into);
  template <class T>
  bool accept_at(Mapping& fields, const Node& node, Result<T> result, T& into) {
    return accept(fields.document(), node, std::move(result), into, problems_);
  }

  const std::vector<std::string>& folders_;
  Failures& problems_;
  Dialect dialect_;
  std::array<bool, verb_count> stated_{};
  std::array<Place, verb_count> places_{};  // where each is stated
  std::vector<std::string_view> roles_;
  Place role_place_;
};

std::string Loader::find(std::string_view name) const {
  for (const std::string& folder : folders_) {
    const std::filesystem::path path =
        std::filesystem::path(folder) / (std::string(name) + ".yaml");
    std::error_code ignored;  // a folder that cannot be read does not have it
    if (std::filesystem::exists(path, ignored)) return path.string();
  }
  return {};
}

void Loader::load(std::string_view name, const Place& mentioned, int depth) {
  const auto complain = [&](std::string cause, std::string advice) {
    problems_.list.push_back({mentioned, std::move(cause), std::move(advice)});
  };
  if (!is_name(name)) {
    complain("`" + std::string(name) + "` is not a name of a dialect",
             "use small letters, digits and `-`");
    return;
  }
  const std::string path = find(name);
  if (path.empty()) {
    std::string where;
    for (const std::string& folder : folders_) where += (where.empty() ? "" : ", ") + folder;
    complain("there is no dialect `" + std::string(name) + "`",
             "looked for " + std::string(name) + ".yaml in " + where);
    return;
  }
  constexpr int deepest = 8;
  if (depth > deepest) {
    complain("dialects extend each other more than 8 deep", "look for a circle of `extends`");
    return;
  }
  Checked<Document> document = read_document(path);
  if (!document) {
    const Failures& found = document.error();
    problems_.list.insert(problems_.list.end(), found.list.begin(), found.list.end());
    return;
  }
  Mapping file(*document, document->root, problems_, "a dialect");
  if (const Node* node = file.need("dialect")) {
    const std::string* own = word(file, node);
    if (own != nullptr && *own != name) {
      file.complain(*node,
                    "the file is of dialect `" + std::string(name) + "`, but says `" + *own + "`",
                    "give both the same name");
    }
  }
  if (const Node* node = file.take("extends")) {
    if (const std::string* base = word(file, node)) {
      load(*base, document->place(*node), depth + 1);
    }
  }
  dialect_.name = name;
  read(file);
  file.finish();
  dialect_.files.insert(dialect_.files.begin(), {path, document->text});
}

void Loader::read(Mapping& file) {
  read_role(file);
  read_times(file);
  read_endings(file);
  if (const Node* node = file.take("select")) {
    const std::string* text = word(file, node);
    if (text != nullptr && *text == "absent") {
      dialect_.select = {};
    } else if (message(file, node, 0, dialect_.select) &&
               !dialect_.select.has(Template::Piece::Hole::channel)) {
      file.complain(*node, "`select` names no channel", "write {channel} where its number stands");
    }
  }
  if (const Node* node = file.take("clear")) message(file, node, 0, dialect_.clear);
  if (const Node* node = file.take("on-connect")) {
    dialect_.on_connect.clear();
    if (node->kind != NodeKind::sequence || node->items.size() > 8) {
      file.complain(*node, "`on-connect` is not a list of at most 8 messages",
                    "write [\"SYST:REM\"]");
    } else {
      for (const Node& item : node->items) {
        Template compiled;
        if (message(file, &item, 0, compiled)) dialect_.on_connect.push_back(compiled);
      }
    }
  }
  read_resync(file);
  for (std::uint8_t i = 0; i < verb_count; ++i) read_verb(file, static_cast<Verb>(i));
}

void Loader::read_role(Mapping& file) {
  const Node* node = file.take("role");
  if (node == nullptr) return;
  roles_.clear();
  role_place_ = file.document().place(*node);
  const auto one = [&](const Node& item) {
    const std::string* text = word(file, &item);
    if (text == nullptr) return;
    std::string known;
    for (const RoleRow& row : role_rows()) {
      if (row.key == *text) {
        roles_.push_back(row.key);
        return;
      }
      known += (known.empty() ? "" : ", ") + std::string(row.key);
    }
    file.complain(item, "unknown role `" + *text + "`", "known are " + known);
  };
  if (node->kind == NodeKind::sequence) {
    for (const Node& item : node->items) one(item);
  } else {
    one(*node);
  }
}

void Loader::read_times(Mapping& file) {
  if (const Node* node = file.take("deadlines")) {
    Mapping deadlines(file.document(), *node, problems_, "deadlines");
    duration(deadlines, "respond", dialect_.respond);
    duration(deadlines, "settle", dialect_.settle);
    deadlines.finish();
    if (dialect_.respond < std::chrono::milliseconds(1)) {
      file.complain(*node, "a deadline `respond` below 1 ms", "no instrument answers in no time");
    }
  }
  duration(file, "between", dialect_.between);
}

void Loader::read_endings(Mapping& file) {
  if (const Node* node = file.take("terminator")) {
    const std::string* text = word(file, node);
    if (text != nullptr && *text == "NL") {
      dialect_.terminator = "\n";
    } else if (text != nullptr && *text == "CR") {
      dialect_.terminator = "\r";
    } else if (text != nullptr && *text == "CR NL") {
      dialect_.terminator = "\r\n";
    } else if (text != nullptr) {
      file.complain(*node, "unknown terminator `" + *text + "`", "known are NL, CR, CR NL");
    }
  }
  if (const Node* node = file.take("answers-end-in")) {
    const std::string* text = word(file, node);
    if (text != nullptr && *text != "NL" && *text != "CR") {
      file.complain(*node, "unknown ending of answers `" + *text + "`",
                    "NL also takes CR NL; CR is for instruments that send nothing else");
    } else if (text != nullptr) {
      dialect_.cr_ends_answers = *text == "CR";
    }
  }
}

void Loader::read_resync(Mapping& file) {
  const Node* node = file.take("resync");
  if (node == nullptr) return;
  dialect_.resync.reset();
  dialect_.resync_send = {};
  if (node->kind == NodeKind::scalar && node->scalar == "absent") return;
  Mapping fields(file.document(), *node, problems_, "resync");
  Template send;
  Template ask;
  const bool sends = message(fields, fields.need("send"), 0, send);
  const bool asks = message(fields, fields.need("ask"), 0, ask);
  fields.finish();
  if (!sends || !asks) return;
  if (!send.has(Template::Piece::Hole::nonce)) {
    fields.complain(*node, "`resync` sends no nonce",
                    "write {nonce} where a number from 16 to 250 can be set and asked back");
    return;
  }
  dialect_.resync_send = send;
  dialect_.resync = ask;
}

void Loader::read_verb(Mapping& file, Verb verb) {
  const VerbRow& row = verb_rows()[static_cast<std::size_t>(verb)];
  const Node* node = file.take(row.key);
  if (node == nullptr) return;
  stated_[static_cast<std::size_t>(verb)] = true;
  places_[static_cast<std::size_t>(verb)] = file.document().place(*node);
  Spelling& spelling = dialect_.verbs[static_cast<std::size_t>(verb)];
  spelling = {};
  if (node->kind == NodeKind::scalar && node->scalar == "absent") return;
  if (node->kind != NodeKind::mapping) {
    file.complain(
        *node, "`" + std::string(row.key) + "` is neither a mapping nor `absent`",
        row.nature == Nature::question ? "write {ask: \"...\"}" : "write {send: \"...\"}");
    return;
  }
  Mapping fields(file.document(), *node, problems_, std::string(row.key));
  const char unit = row.nature == Nature::proved ? row.unit : '\0';
  if (row.nature == Nature::question) {
    spelling.ask.emplace();
    message(fields, fields.need("ask"), 0, spelling.ask->message);
    read_ask(fields, *node, verb, *spelling.ask);
  } else {
    if (message(fields, fields.need("send"), unit, spelling.send) && unit != 0 &&
        !spelling.send.has(Template::Piece::Hole::value)) {
      fields.complain(*node, "the message of `" + std::string(row.key) + "` holds no value",
                      "write {value:.4f} where it stands");
    }
    if (row.nature == Nature::proved) {
      // An order is done only when it is read back: without that, nothing is known.
      if (const Node* prove = fields.need("prove")) {
        spelling.ask.emplace();
        Mapping proof(file.document(), *prove, problems_, "prove");
        message(proof, proof.need("ask"), 0, spelling.ask->message);
        read_ask(proof, *prove, verb, *spelling.ask);
        proof.finish();
      }
    }
  }
  fields.finish();
  spelling.absent = false;
}

void Loader::read_ask(Mapping& fields, const Node& at, Verb verb, Ask& ask) {
  const VerbRow& row = verb_rows()[static_cast<std::size_t>(verb)];
  ask.expect = row.expect;
  if (const Node* node = fields.take("unit")) {
    const std::string* text = word(fields, node);
    const auto unit = std::find_if(unit_rows().begin(), unit_rows().end(), [&](const UnitRow& r) {
      return text != nullptr && r.name == *text && r.dimension == row.unit;
    });
    if (text != nullptr && unit == unit_rows().end()) {
      fields.complain(*node, "unit `" + *text + "` does not fit `" + std::string(row.key) + "`",
                      row.unit == 'V'   ? "write V or mV"
                      : row.unit == 'A' ? "write A or mA"
                      : row.unit == 'T' ? "write degC, K or degF"
                                        : "leave it out: the answer has no unit");
    } else if (text != nullptr) {
      ask.scale = unit->scale;
      ask.offset = unit->offset;
    }
  }
  if (const Node* node = fields.take("scale")) {
    const std::string* text = word(fields, node);
    double scale = 1;
    if (text != nullptr && accept_at(fields, *node, parse_number(*text), scale)) {
      if (scale == 0) fields.complain(*node, "a scale of 0", "write what an answer of 1 is worth");
      ask.scale *= scale;
    }
  }
  if (row.expect == Expect::proof) {
    read_proof(fields, row, ask);
    return;
  }
  if (const Node* node = fields.take("bits")) read_bits(fields, *node, verb, ask);
  if (const Node* node = fields.take("expect")) {
    const std::string* text = word(fields, node);
    if (text == nullptr) return;
    const bool measured = row.expect == Expect::number;
    const bool counted = row.expect == Expect::integer;
    if (measured && (*text == "NR1" || *text == "NR2" || *text == "NR3" || *text == "number")) {
    } else if (counted && *text == "bits-list") {
      ask.expect = Expect::list;
    } else if (counted && (*text == "bits" || *text == "NR1")) {
    } else if (row.expect == Expect::boolean && *text == "boolean") {
    } else if (row.expect == Expect::error && *text == "error") {
    } else if (row.expect == Expect::identity && *text == "identity") {
    } else {
      fields.complain(*node, "`" + std::string(row.key) + "` cannot expect `" + *text + "`",
                      measured  ? "known are NR1, NR2, NR3, number"
                      : counted ? "known are bits, bits-list"
                                : "leave `expect` out");
    }
  }
  if (ask.expect == Expect::list) {
    for (const Template::Piece& piece : ask.message.pieces) {
      ask.items += static_cast<int>(std::count(piece.text.begin(), piece.text.end(), '?'));
    }
    if (ask.items > 8) {
      fields.complain(at, "`" + std::string(row.key) + "` asks more than 8 questions");
    }
  } else if (ask.expect == Expect::integer && ask.bits.empty()) {
    fields.complain(at,
                    "`" + std::string(row.key) + "` does not say what the bits of its answer mean",
                    "write bits: [{mask: 3, equals: 1, means: ...}], or expect: bits-list");
  }
}

void Loader::read_proof(Mapping& fields, const VerbRow& row, Ask& ask) {
  const auto part = [&](const Node& node) {
    const std::string* text = word(fields, &node);
    if (text == nullptr) return;
    Ask::Part one;
    if (*text == "value" && row.unit != 0) {
      ask.parts.push_back(one);
      return;
    }
    const Result<double> number = parse_number(*text);
    if (!number) {
      fields.complain(node, "a proof cannot expect `" + *text + "`",
                      row.unit != 0 ? "write value or a number" : "write a number");
      return;
    }
    one.exact = true;
    one.equals = *number;
    ask.parts.push_back(one);
  };
  const Node* expect = row.unit != 0 ? fields.take("expect") : fields.need("expect");
  if (expect == nullptr) {
    ask.parts.push_back({});
  } else if (expect->kind == NodeKind::sequence && expect->items.size() <= 8) {
    for (const Node& item : expect->items) part(item);
  } else {
    part(*expect);
  }
  if (row.unit == 0) return;
  if (const Node* node = fields.need("within")) {
    const std::string* text = word(fields, node);
    if (text == nullptr) return;
    if (row.unit == 'V') {
      Volts within{};
      if (accept_at(fields, *node, parse<Volts>(*text), within)) ask.within = within.value();
    } else {
      Amperes within{};
      if (accept_at(fields, *node, parse<Amperes>(*text), within)) ask.within = within.value();
    }
    if (ask.within < 0) fields.complain(*node, "`within` below zero", "write what may differ");
  }
  const bool proves_value =
      std::any_of(ask.parts.begin(), ask.parts.end(), [](const Ask::Part& p) { return !p.exact; });
  if (expect != nullptr && !proves_value) {
    fields.complain(*expect, "the proof does not read back the value", "write expect: [value, 1]");
  }
}

void Loader::read_bits(Mapping& fields, const Node& node, Verb verb, Ask& ask) {
  if (node.kind != NodeKind::sequence || node.items.empty() || node.items.size() > 32) {
    fields.complain(node, "`bits` is not a list of 1 to 32 rows",
                    "write [{mask: 3, equals: 1, means: constant-voltage}]");
    return;
  }
  for (const Node& item : node.items) {
    Mapping row(fields.document(), item, problems_, "bits");
    Ask::Bits bits;
    if (const Node* mask = row.need("mask")) {
      if (const std::string* text = word(row, mask))
        accept_at(row, *mask, parse_mask(*text), bits.mask);
    }
    bits.equals = bits.mask;
    if (const Node* equals = row.take("equals")) {
      if (const std::string* text = word(row, equals)) {
        accept_at(row, *equals, parse_mask(*text), bits.equals);
      }
      if ((bits.equals & ~bits.mask) != 0) {
        row.complain(*equals, "`equals` has bits that `mask` has not", "it could never be true");
      }
    }
    if (const Node* means = row.need("means")) {
      if (const std::string* text = word(row, means)) {
        const auto meaning =
            std::find_if(meaning_rows().begin(), meaning_rows().end(),
                         [&](const MeaningRow& r) { return r.verb == verb && r.word == *text; });
        if (meaning == meaning_rows().end()) {
          std::string known;
          for (const MeaningRow& r : meaning_rows()) {
            if (r.verb == verb) known += (known.empty() ? "" : ", ") + std::string(r.word);
          }
          row.complain(*means, "unknown meaning `" + *text + "`", "known are " + known);
        } else {
          bits.means = meaning->value;
        }
      }
    }
    row.finish();
    ask.bits.push_back(bits);
  }
}

const std::string* Loader::word(Mapping& fields, const Node* node) {
  if (node == nullptr) return nullptr;
  if (node->kind == NodeKind::scalar) return &node->scalar;
  fields.complain(*node, "a single value is expected here", "");
  return nullptr;
}

bool Loader::message(Mapping& fields, const Node* node, char unit, Template& into) {
  const std::string* text = word(fields, node);
  return text != nullptr && accept_at(fields, *node, compile_template(*text, unit), into);
}

void Loader::duration(Mapping& fields, std::string_view key, Duration& into) {
  const Node* node = fields.take(key);
  const std::string* text = word(fields, node);
  if (text == nullptr) return;
  Duration value{};
  if (!accept_at(fields, *node, parse<Duration>(*text), value)) return;
  if (value < Duration::zero() || value > std::chrono::seconds(60)) {
    fields.complain(*node, "`" + std::string(key) + "` is not from 0 to 60 s", "");
    return;
  }
  into = value;
}

void Loader::check_roles() {
  for (const RoleRow& row : role_rows()) {
    if (std::find(roles_.begin(), roles_.end(), row.key) == roles_.end()) continue;
    for (const Verb verb : row.verbs) {
      if (stated_[static_cast<std::size_t>(verb)]) continue;
      problems_.list.push_back(
          {role_place_,
           "the role `" + std::string(row.key) + "` needs `" + std::string(key_of(verb)) + "`",
           "spell it, or write `" + std::string(key_of(verb)) + ": absent`"});
    }
  }
}

void Loader::check_clashes() {
  const auto how = [](Clash::Of of) {
    switch (of) {
      case Clash::Of::command:
        return "` sends the same as `";
      case Clash::Of::proof:
        return "` is proved by the same answer as `";
      case Clash::Of::question:
        break;
    }
    return "` asks the same as `";
  };
  for (const Clash& clash : clashes(dialect_)) {
    problems_.list.push_back({places_[static_cast<std::size_t>(clash.verb)],
                              '`' + std::string(key_of(clash.verb)) + how(clash.of) +
                                  std::string(key_of(clash.other)) + '`',
                              "one of the two does not do what it says"});
  }
}

}  // namespace

Checked<Dialect> load_dialect(std::string_view name, const std::vector<std::string>& folders) {
  Failures problems;
  Loader loader(folders, problems);
  loader.load(name, {}, 0);
  loader.check_roles();
  loader.check_clashes();
  if (!problems.list.empty()) {
    std::ranges::stable_sort(problems.list, {}, [](const Failure& problem) {
      return std::tuple(problem.place.file, problem.place.line, problem.place.column);
    });
    return problems;
  }
  return std::move(loader.dialect());
}

}  // namespace chargewright::drivers
