#include "drivers/document.h"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <yaml-cpp/eventhandler.h>
#include <yaml-cpp/exceptions.h>
#include <yaml-cpp/parser.h>

#include <algorithm>
#include <cerrno>
#include <cstring>
#include <sstream>

namespace chargewright::drivers {
namespace {

// Thrown by the event handler through yaml-cpp, which knows no other way to stop; never leaves this
// file.
struct Stop {};

struct Cursor {
  int line = 0;
  int column = 0;
};

// yaml-cpp counts lines and bytes from 0; people and editors count lines and characters from 1.
class Lines {
 public:
  explicit Lines(std::string_view text) : text_(text) {
    starts_.push_back(text.starts_with("\xEF\xBB\xBF") ? 3 : 0);
    for (std::size_t i = 0; i < text.size(); ++i) {
      if (text[i] == '\n') starts_.push_back(i + 1);
    }
  }
  [[nodiscard]] Cursor at(const YAML::Mark& mark) const {
    if (mark.is_null() || mark.line < 0) return {};
    Cursor cursor{mark.line + 1, 1};
    if (static_cast<std::size_t>(mark.line) >= starts_.size()) return cursor;
    std::size_t i = starts_[static_cast<std::size_t>(mark.line)];
    for (int byte = 0; byte < mark.column; ++byte, ++i) {
      if (i >= text_.size() || (static_cast<unsigned char>(text_[i]) & 0xC0U) != 0x80U) {
        ++cursor.column;
      }
    }
    return cursor;
  }
  [[nodiscard]] bool indented_by_tab(int line) const {
    if (line < 0 || static_cast<std::size_t>(line) >= starts_.size()) return false;
    std::size_t i = starts_[static_cast<std::size_t>(line)];
    while (i < text_.size() && text_[i] == ' ') ++i;
    return i < text_.size() && text_[i] == '\t';
  }

 private:
  std::string_view text_;
  std::vector<std::size_t> starts_;
};

// Length of the well-formed UTF-8 character at the front of `text` (Unicode 15, table 3-7), or 0.
std::size_t character_length(std::string_view text) {
  const auto byte = [&](std::size_t i) -> unsigned {
    return i < text.size() ? static_cast<unsigned char>(text[i]) : 0U;
  };
  const auto continues = [&](std::size_t i) { return (byte(i) & 0xC0U) == 0x80U; };
  const unsigned first = byte(0);
  if (first < 0x80U) return 1;
  if (first >= 0xC2U && first <= 0xDFU) return continues(1) ? 2 : 0;
  if (first >= 0xE0U && first <= 0xEFU) {
    if (first == 0xE0U && byte(1) < 0xA0U) return 0;  // overlong
    if (first == 0xEDU && byte(1) > 0x9FU) return 0;  // surrogates
    return continues(1) && continues(2) ? 3 : 0;
  }
  if (first >= 0xF0U && first <= 0xF4U) {
    if (first == 0xF0U && byte(1) < 0x90U) return 0;
    if (first == 0xF4U && byte(1) > 0x8FU) return 0;  // beyond U+10FFFF
    return continues(1) && continues(2) && continues(3) ? 4 : 0;
  }
  return 0;
}

// Of a well-formed text: does it begin with one of U+0080 to U+009F?
bool is_c1(std::string_view text) {
  return text.size() > 1 && text[0] == '\xC2' && static_cast<unsigned char>(text[1]) < 0xA0U;
}

// What is written in a file is shown to people: a code that moves the cursor or colours the screen
// could hide or forge what stands beside it, and an escape in quotes can make one. Lines may be
// several.
bool controls_a_terminal(std::string_view text) {
  while (!text.empty()) {
    const std::size_t length = character_length(text);
    const auto first = static_cast<unsigned char>(text[0]);
    if (length == 0) return true;  // not UTF-8: some escapes of the parser
    if ((first < 0x20 && first != '\n') || first == 0x7F) return true;
    if (is_c1(text)) return true;
    text.remove_prefix(length);
  }
  return false;
}

class TreeBuilder final : public YAML::EventHandler {
 public:
  TreeBuilder(const std::string& file, const Lines& lines, const DocumentBounds& bounds, Node& root,
              Failures& problems)
      : file_(file), lines_(lines), bounds_(bounds), root_(root), problems_(problems) {}

  void OnDocumentStart(const YAML::Mark& mark) override {
    if (++documents_ > 1) {
      complain(mark, "a second document begins", "keep one document in each file");
      throw Stop{};
    }
  }
  void OnDocumentEnd() override {}

  void OnAnchor(const YAML::Mark& mark, const std::string& name) override {
    complain(mark, "an anchor `&" + shorten(name) + "`, which is not supported",
             "write the value out where it is used");
  }
  void OnAlias(const YAML::Mark& mark, YAML::anchor_t) override {
    complain(mark, "an alias, which is not supported", "write the value out");
    add(mark, NodeKind::null);
  }
  void OnNull(const YAML::Mark& mark, YAML::anchor_t) override { add(mark, NodeKind::null); }
  void OnScalar(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                const std::string& value) override {
    refuse_tag(mark, tag);
    const bool controls = controls_a_terminal(value);
    if (controls) complain(mark, "a control character in a text", "write plain text");
    add(mark, NodeKind::scalar, controls ? std::string() : value);  // no other message shows it
  }
  void OnSequenceStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                       YAML::EmitterStyle::value) override {
    refuse_tag(mark, tag);
    open(mark, NodeKind::sequence);
  }
  void OnSequenceEnd() override { open_.pop_back(); }
  void OnMapStart(const YAML::Mark& mark, const std::string& tag, YAML::anchor_t,
                  YAML::EmitterStyle::value) override {
    refuse_tag(mark, tag);
    open(mark, NodeKind::mapping);
  }
  void OnMapEnd() override { open_.pop_back(); }

  [[nodiscard]] int documents() const { return documents_; }

 private:
  // A mapping or sequence that is being filled. Pointers into the tree stay valid: a container
  // grows only while it is the innermost one open.
  struct Open {
    Node* node = nullptr;
    bool key_is_next = true;
    std::string key;
    Cursor key_at;
  };

  static std::string shorten(const std::string& text) {
    return text.size() <= 40 ? text : text.substr(0, 37) + "...";
  }

  void complain(const YAML::Mark& mark, std::string cause, std::string advice) {
    const Cursor at = lines_.at(mark);
    problems_.list.push_back({{file_, at.line, at.column}, std::move(cause), std::move(advice)});
  }

  void refuse_tag(const YAML::Mark& mark, const std::string& tag) {
    if (tag.empty() || tag == "?" || tag == "!") return;  // yaml-cpp's own for "no tag given"
    complain(mark, "a tag `" + shorten(tag) + "`, which is not supported", "leave the tag out");
  }

  void count(const YAML::Mark& mark) {
    if (++nodes_ > bounds_.nodes) {
      complain(mark, "more than " + std::to_string(bounds_.nodes) + " values in one file",
               "split the file or leave out what is not needed");
      throw Stop{};
    }
  }

  Node& add(const YAML::Mark& mark, NodeKind kind, const std::string& scalar = {}) {
    count(mark);
    const Cursor at = lines_.at(mark);
    Node node;
    node.kind = kind;
    node.scalar = scalar;
    node.line = at.line;
    node.column = at.column;
    if (open_.empty()) return root_ = std::move(node);
    Open& parent = open_.back();
    if (parent.node->kind == NodeKind::sequence) {
      return parent.node->items.emplace_back(std::move(node));
    }
    if (parent.key_is_next) {
      parent.key_is_next = false;
      take_key(mark, node, parent, at);
      // What stands in place of a key is kept apart, so that its contents have somewhere to go.
      return odd_ = std::move(node);
    }
    parent.key_is_next = true;
    node.key_line = parent.key_at.line;
    node.key_column = parent.key_at.column;
    if (kind == NodeKind::null) {  // an absent value has no place of its own
      node.line = node.key_line;
      node.column = node.key_column;
    }
    parent.node->fields.push_back({std::move(parent.key), std::move(node)});
    return parent.node->fields.back().second;
  }

  void take_key(const YAML::Mark& mark, const Node& node, Open& parent, Cursor at) {
    parent.key = node.scalar;
    parent.key_at = at;
    if (node.kind != NodeKind::scalar) {
      complain(mark, "a key that is not plain text", "write a mapping as `key: value`");
      if (node.kind != NodeKind::null) throw Stop{};
      return;
    }
    for (const auto& [key, earlier] : parent.node->fields) {
      if (key == node.scalar) {
        complain(mark,
                 "key `" + shorten(key) + "` appears twice, first in line " +
                     std::to_string(earlier.key_line),
                 "keep one of them");
        break;
      }
    }
  }

  void open(const YAML::Mark& mark, NodeKind kind) {
    if (open_.size() >= static_cast<std::size_t>(bounds_.depth)) {
      complain(mark, "nested deeper than " + std::to_string(bounds_.depth) + " levels",
               "flatten the file");
      throw Stop{};
    }
    Node& node = add(mark, kind);
    open_.push_back({&node, true, {}, {}});
  }

  const std::string& file_;
  const Lines& lines_;
  const DocumentBounds& bounds_;
  Node& root_;
  Failures& problems_;
  Node odd_;
  std::vector<Open> open_;
  std::size_t nodes_ = 0;
  int documents_ = 0;
};

// What must hold before the parser sees the text: only well-formed characters that belong in a text
// file, and no bracket nesting that could exhaust the stack of a recursive parser. Comments are not
// counted; quoted brackets are, since that errs on the safe side and nobody writes so many.
bool fit_to_parse(std::string_view text, const std::string& file, const DocumentBounds& bounds,
                  Failures& problems) {
  const int brackets_max = 4 * bounds.depth;
  int line = 1;
  int column = 1;
  int brackets = 0;
  bool comment = false;
  char before = '\n';
  const auto refuse = [&](std::string cause, std::string advice) {
    problems.list.push_back({{file, line, column}, std::move(cause), std::move(advice)});
    return false;
  };
  for (std::size_t i = 0; i < text.size();) {
    const std::size_t length = character_length(text.substr(i));
    const char c = text[i];
    if (length == 0) return refuse("bytes that are not UTF-8", "save the file as UTF-8");
    const bool control =
        (static_cast<unsigned char>(c) < 0x20U && c != '\n' && c != '\r' && c != '\t') ||
        c == 0x7F || is_c1(text.substr(i));
    if (control)
      return refuse("a control character, which has no place in a text file", "remove it");
    if (c == '#' && (before == ' ' || before == '\t' || before == '\n')) comment = true;
    if (!comment && (c == '[' || c == '{') && ++brackets > brackets_max) {
      return refuse("brackets nested deeper than " + std::to_string(bounds.depth) + " levels",
                    "flatten the file");
    }
    if (!comment && (c == ']' || c == '}') && brackets > 0) --brackets;
    ++column;
    if (c == '\n') {
      ++line;
      column = 1;
      comment = false;
    }
    before = c;
    i += length;
  }
  return true;
}

Failure without_place(const std::string& path, std::string cause, std::string advice = {}) {
  return {{path, 0, 0}, std::move(cause), std::move(advice)};
}

// Closes on every way out.
struct Descriptor {
  int fd = -1;
  ~Descriptor() {
    if (fd >= 0) ::close(fd);
  }
};

Failure too_large(const std::string& file, const DocumentBounds& bounds) {
  return without_place(file, "the file is larger than " + std::to_string(bounds.bytes) + " bytes",
                       "split it or leave out what is not needed");
}

// Only a regular file is read: a pipe or a device could keep us waiting for ever.
Result<std::string> read_bytes(const std::string& path, const DocumentBounds& bounds) {
  const Descriptor file{::open(path.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK)};
  if (file.fd < 0) {
    return without_place(path, std::string("cannot be opened: ") + std::strerror(errno));
  }
  struct stat about {};
  if (::fstat(file.fd, &about) != 0 || !S_ISREG(about.st_mode)) {
    return without_place(path, "is not a regular file", "name a file");
  }
  std::string text;
  std::vector<char> chunk(16'384);
  while (true) {
    const ssize_t got = ::read(file.fd, chunk.data(), chunk.size());
    if (got < 0 && errno == EINTR) continue;
    if (got < 0) {
      return without_place(path, std::string("cannot be read: ") + std::strerror(errno));
    }
    if (got == 0) return text;
    text.append(chunk.data(), static_cast<std::size_t>(got));
    if (text.size() > bounds.bytes) return too_large(path, bounds);
  }
}

std::size_t edits_between(std::string_view a, std::string_view b) {
  // Optimal string alignment: a swap of two neighbours is one edit, the commonest slip of all.
  std::vector<std::vector<std::size_t>> d(a.size() + 1, std::vector<std::size_t>(b.size() + 1));
  for (std::size_t i = 0; i <= a.size(); ++i) d[i][0] = i;
  for (std::size_t j = 0; j <= b.size(); ++j) d[0][j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    for (std::size_t j = 1; j <= b.size(); ++j) {
      d[i][j] = std::min(
          {d[i - 1][j] + 1, d[i][j - 1] + 1, d[i - 1][j - 1] + (a[i - 1] == b[j - 1] ? 0U : 1U)});
      if (i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1]) {
        d[i][j] = std::min(d[i][j], d[i - 2][j - 2] + 1);
      }
    }
  }
  return d[a.size()][b.size()];
}

}  // namespace

Checked<Document> read_document(const std::string& path, const DocumentBounds& bounds) {
  Result<std::string> text = read_bytes(path, bounds);
  if (!text) return Failures{{text.error()}};
  return parse_document(std::move(*text), path, bounds);
}

Checked<Document> parse_document(std::string text, std::string file, const DocumentBounds& bounds) {
  if (text.size() > bounds.bytes) return Failures{{too_large(file, bounds)}};
  Failures problems;
  if (!fit_to_parse(text, file, bounds, problems)) return problems;
  Document document{std::move(file), std::move(text), {}};
  const Lines lines(document.text);
  TreeBuilder builder(document.file, lines, bounds, document.root, problems);
  try {
    std::istringstream stream(document.text);
    YAML::Parser parser(stream);
    while (parser.HandleNextDocument(builder)) {
    }
    if (builder.documents() == 0) {
      problems.list.push_back({{document.file, 1, 1}, "the file holds nothing", {}});
    }
  } catch (const Stop&) {
    // The reason is in `problems` already.
  } catch (const YAML::Exception& error) {
    const Cursor at = lines.at(error.mark);
    const bool tab = lines.indented_by_tab(error.mark.line);
    problems.list.push_back({{document.file, at.line, at.column},
                             "not YAML: " + error.msg,
                             tab ? "this line is indented by a tab: use spaces" : ""});
  }
  if (!problems.list.empty()) {
    sort_by_place(problems);
    return problems;
  }
  return document;
}

void sort_by_place(Failures& problems) {
  std::ranges::stable_sort(problems.list, {}, [](const Failure& failure) {
    return std::pair(failure.place.line, failure.place.column);
  });
}

Mapping::Mapping(const Document& document, const Node& node, Failures& problems, std::string what)
    : document_(document),
      node_(node),
      problems_(problems),
      what_(std::move(what)),
      taken_(node.fields.size(), false) {
  if (node.kind != NodeKind::mapping) {
    complain(node, what_ + " must be a mapping", "write `key: value`, one a line");
  }
}

const Node* Mapping::take(std::string_view key) {
  if (std::ranges::find(asked_, key) == asked_.end()) asked_.emplace_back(key);
  for (std::size_t i = 0; i < node_.fields.size(); ++i) {
    if (node_.fields[i].first == key) {
      taken_[i] = true;
      return &node_.fields[i].second;
    }
  }
  return nullptr;
}

const Node* Mapping::need(std::string_view key) {
  const Node* found = take(key);
  if (found == nullptr && node_.kind == NodeKind::mapping) {
    complain(node_, what_ + " lacks the key `" + std::string(key) + "`");
  }
  return found;
}

void Mapping::finish() {
  for (std::size_t i = 0; i < node_.fields.size(); ++i) {
    if (taken_[i]) continue;
    const auto& [key, value] = node_.fields[i];
    const std::string near = nearest_name(key, asked_);
    std::string advice;
    if (!near.empty()) {
      advice = "did you mean `" + near + "`?";
    } else {
      for (const std::string& name : asked_)
        advice += (advice.empty() ? "known are " : ", ") + name;
    }
    problems_.list.push_back({{document_.file, value.key_line, value.key_column},
                              "unknown key `" + key.substr(0, 60) + "` in " + what_,
                              std::move(advice)});
  }
}

void Mapping::complain(const Node& node, std::string cause, std::string advice) {
  problems_.list.push_back({document_.place(node), std::move(cause), std::move(advice)});
}

std::string nearest_name(std::string_view word, const std::vector<std::string>& names) {
  constexpr std::size_t longest = 64;  // keeps the work bounded; no name of ours is longer
  if (word.empty() || word.size() > longest) return {};
  std::size_t best = std::max<std::size_t>(1, word.size() / 3) + 1;
  std::string nearest;
  for (const std::string& name : names) {
    if (name.size() > longest) continue;
    const std::size_t edits = edits_between(word, name);
    if (edits < best) {
      best = edits;
      nearest = name;
    }
  }
  return nearest;
}

}  // namespace chargewright::drivers
