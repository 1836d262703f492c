#pragma once
// The parameters of one program message unit, as a device reads them: numbers with or without unit,
// MIN/MAX/DEF, booleans, channel lists. An error is a number of SCPI-1999 vol. 2 ch. 21; 0: none.

#include <cstdint>
#include <string_view>

namespace chargewright::drivers::simulated {

// Splits at commas outside brackets and quotes; white space (IEEE 488.2: 0x00..0x20) is trimmed.
class Parameters {
 public:
  explicit Parameters(std::string_view text) : rest_(text) {}
  [[nodiscard]] bool has_more() const;
  std::string_view take();

 private:
  std::string_view rest_;
};

std::string_view trimmed(std::string_view text);
bool is_space(char c);
// `word` in its short or long form, any case; the short form is the capitals of `pattern`.
bool is_word(std::string_view word, std::string_view pattern);

struct NumberBounds {
  double least = 0, most = 0, usual = 0;  // MIN, MAX, DEF
  char unit = 0;                          // 'V', 'A', 'S'; 0: no unit is allowed
};
int read_number(std::string_view text, const NumberBounds& bounds, double& value);
int read_boolean(std::string_view text, bool& value);
int read_integer(std::string_view text, int least, int most, int& value);
// `(@1)`, `(@1,3)`, `(@1:3)`: the channels as bits, channel 1 the lowest.
int read_channels(std::string_view text, int channels, std::uint32_t& bits);

}  // namespace chargewright::drivers::simulated
