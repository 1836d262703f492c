#include <arpa/inet.h>

#include <algorithm>
#include <array>
#include <charconv>
#include <optional>
#include <vector>

#include "drivers/link.h"

namespace chargewright::drivers {
namespace {

constexpr std::string_view shapes =
    "write tcp://HOST:PORT, tcp://[IPV6]:PORT or serial:///dev/NAME?baud=9600";

Failure failure(std::string cause, std::string_view advice = shapes) {
  return {.place = {}, .cause = std::move(cause), .advice = std::string(advice)};
}

std::string quoted(std::string_view text) { return '\'' + std::string(text.substr(0, 80)) + '\''; }

std::optional<int> whole_number(std::string_view text) {
  int value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (text.empty() || error != std::errc() || end != text.data() + text.size()) return {};
  return value;
}

bool is_host_name(std::string_view host) {  // RFC 1123 letters, digits, hyphens, dots
  const auto allowed = [](char c) {
    return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') || (c >= '0' && c <= '9') || c == '-' ||
           c == '.' || c == '_';
  };
  return !host.empty() && host.size() <= 253 && std::ranges::all_of(host, allowed) &&
         host.front() != '-' && host.front() != '.';
}

bool looks_like_ipv4(std::string_view host) {
  return host.find_first_not_of("0123456789.") == std::string_view::npos;
}

bool is_address(int family, const std::string& host) {
  std::array<unsigned char, 16> ignored{};
  return inet_pton(family, host.c_str(), ignored.data()) == 1;
}

Result<LinkAddress> parse_tcp(std::string_view rest) {
  TcpAddress address;
  std::string_view port;
  bool has_port = false;
  if (!rest.empty() && rest.front() == '[') {
    const auto close = rest.find(']');
    if (close == std::string_view::npos) {
      return failure("link address " + quoted(rest) + " opens a bracket and never closes it");
    }
    address.host = rest.substr(1, close - 1);
    if (!is_address(AF_INET6, address.host)) {
      return failure(quoted(address.host) + " is not an IPv6 address");
    }
    rest.remove_prefix(close + 1);
    if (!rest.empty() && rest.front() != ':') {
      return failure("after the IPv6 address stands " + quoted(rest) + ", but a port was expected");
    }
    has_port = !rest.empty();
    if (has_port) port = rest.substr(1);
  } else {
    const auto colon = rest.find(':');
    has_port = colon != std::string_view::npos;
    if (has_port) port = rest.substr(colon + 1);
    address.host = rest.substr(0, colon);
    if (port.find(':') != std::string_view::npos) {
      return failure("link address " + quoted(rest) + " has more than one colon",
                     "write an IPv6 address in brackets, like tcp://[::1]:5025");
    }
    if (address.host.empty()) return failure("the host is missing");
    if (looks_like_ipv4(address.host) ? !is_address(AF_INET, address.host)
                                      : !is_host_name(address.host)) {
      return failure(quoted(address.host) + " is neither an address nor a host name");
    }
  }
  if (has_port) {
    const auto number = whole_number(port);
    if (!number || *number < 1 || *number > 65535) {
      return failure("port " + quoted(port) + " is not a number from 1 to 65535");
    }
    address.port = static_cast<std::uint16_t>(*number);
  }
  return LinkAddress{address};
}

Result<bool> on_or_off(std::string_view key, std::string_view value) {
  if (value == "on") return true;
  if (value == "off") return false;
  return failure(std::string(key) + " is " + quoted(value), "say on or off");
}

Result<int> number_between(std::string_view key, std::string_view value, int least, int most) {
  const auto number = whole_number(value);
  if (number && *number >= least && *number <= most) return *number;
  return failure(
      std::string(key) + " is " + quoted(value),
      "say a whole number from " + std::to_string(least) + " to " + std::to_string(most));
}

std::optional<Failure> set_option(SerialAddress& address, std::string_view key,
                                  std::string_view value) {
  const auto into = [](const auto& result, auto& field) -> std::optional<Failure> {
    if (!result.has_value()) return result.error();
    field = *result;
    return {};
  };
  if (key == "baud") return into(number_between(key, value, 50, 4'000'000), address.baud);
  if (key == "bits") return into(number_between(key, value, 5, 8), address.data_bits);
  if (key == "stop") return into(number_between(key, value, 1, 2), address.stop_bits);
  if (key == "rts") return into(on_or_off(key, value), address.rts);
  if (key == "dtr") return into(on_or_off(key, value), address.dtr);
  if (key == "parity") {
    if (value == "none") return address.parity = Parity::none, std::nullopt;
    if (value == "even") return address.parity = Parity::even, std::nullopt;
    if (value == "odd") return address.parity = Parity::odd, std::nullopt;
    return failure("parity is " + quoted(value), "say none, even or odd");
  }
  if (key == "flow") {
    if (value == "none") return address.flow = FlowControl::none, std::nullopt;
    if (value == "rts-cts") return address.flow = FlowControl::rts_cts, std::nullopt;
    if (value == "dtr-dsr") return address.flow = FlowControl::dtr_dsr, std::nullopt;
    if (value == "xon-xoff") return address.flow = FlowControl::xon_xoff, std::nullopt;
    return failure("flow is " + quoted(value), "say none, rts-cts, dtr-dsr or xon-xoff");
  }
  return failure("serial option " + quoted(key) + " is not known",
                 "known are baud, bits, parity, stop, flow, rts, dtr");
}

Result<LinkAddress> parse_serial(std::string_view rest) {
  SerialAddress address;
  const auto question = rest.find('?');
  address.device = rest.substr(0, question);
  if (address.device.empty() || address.device.front() != '/') {
    return failure("serial device " + quoted(address.device) + " is not an absolute path",
                   "write serial:///dev/ttyUSB0, with three slashes");
  }
  if (address.device.size() > 1000) return failure("the path of the serial device is too long");
  std::string_view options =
      question == std::string_view::npos ? std::string_view{} : rest.substr(question + 1);
  std::vector<std::string_view> seen;
  while (!options.empty()) {
    const auto end = options.find('&');
    const std::string_view option = options.substr(0, end);
    options = end == std::string_view::npos ? std::string_view{} : options.substr(end + 1);
    const auto equals = option.find('=');
    if (equals == std::string_view::npos) {
      return failure("serial option " + quoted(option) + " has no value", "write KEY=VALUE");
    }
    const std::string_view key = option.substr(0, equals);
    if (std::ranges::find(seen, key) != seen.end()) {
      return failure("serial option " + quoted(key) + " is given twice", "give it once");
    }
    seen.push_back(key);
    if (auto problem = set_option(address, key, option.substr(equals + 1))) return *problem;
  }
  return LinkAddress{address};
}

std::string_view name(Parity parity) {
  switch (parity) {
    case Parity::none:
      return "none";
    case Parity::even:
      return "even";
    case Parity::odd:
      return "odd";
  }
  return {};
}

std::string_view name(FlowControl flow) {
  switch (flow) {
    case FlowControl::none:
      return "none";
    case FlowControl::rts_cts:
      return "rts-cts";
    case FlowControl::dtr_dsr:
      return "dtr-dsr";
    case FlowControl::xon_xoff:
      return "xon-xoff";
  }
  return {};
}

std::string text_of(const TcpAddress& address) {
  const bool v6 = address.host.find(':') != std::string::npos;
  return "tcp://" + (v6 ? '[' + address.host + ']' : address.host) + ':' +
         std::to_string(address.port);
}

// The baud rate always, the rest where it is not the usual.
std::string text_of(const SerialAddress& address) {
  const SerialAddress usual;
  std::string text = "serial://" + address.device + "?baud=" + std::to_string(address.baud);
  if (address.data_bits != usual.data_bits) text += "&bits=" + std::to_string(address.data_bits);
  if (address.parity != usual.parity) text += "&parity=" + std::string(name(address.parity));
  if (address.stop_bits != usual.stop_bits) text += "&stop=" + std::to_string(address.stop_bits);
  if (address.flow != usual.flow) text += "&flow=" + std::string(name(address.flow));
  if (!address.rts) text += "&rts=off";
  if (!address.dtr) text += "&dtr=off";
  return text;
}

}  // namespace

Result<LinkAddress> parse_link(std::string_view text) {
  if (text.size() > 4096) return failure("the link address is too long");
  const bool printable =
      std::ranges::all_of(text, [](unsigned char c) { return c > ' ' && c != 0x7F; });
  if (!printable) return failure("the link address holds a space or a control character");
  constexpr std::string_view tcp = "tcp://";
  constexpr std::string_view serial = "serial://";
  if (text.starts_with(tcp)) return parse_tcp(text.substr(tcp.size()));
  if (text.starts_with(serial)) return parse_serial(text.substr(serial.size()));
  return failure("link address " + quoted(text) + " begins with neither tcp:// nor serial://");
}

std::string to_text(const LinkAddress& address) {
  return std::visit([](const auto& it) { return text_of(it); }, address);
}

}  // namespace chargewright::drivers
