#include <gtest/gtest.h>

#include "drivers/link.h"

namespace chargewright::drivers {
namespace {

TEST(LinkAddress, reads_and_writes_back_what_people_write) {
  for (const char* text :
       {"tcp://127.0.0.1:5025", "tcp://[::1]:5025", "tcp://bench-supply.hut.example:1",
        "tcp://h:65535", "serial:///dev/ttyUSB0?baud=9600",
        "serial:///dev/ttyUSB0?baud=115200&bits=7&parity=even&stop=2&flow=rts-cts&rts=off&dtr=off",
        "serial:///dev/serial/by-id/a-b_c?baud=19200&flow=xon-xoff",
        "serial:///dev/x?baud=300&parity=odd&flow=dtr-dsr"}) {
    const auto address = parse_link(text);
    ASSERT_TRUE(address.has_value()) << text << ": " << describe(address.error());
    EXPECT_EQ(to_text(*address), text);
  }
}

TEST(LinkAddress, has_the_usual_port_and_the_usual_line) {
  EXPECT_EQ(std::get<TcpAddress>(*parse_link("tcp://supply")).port, 5025);
  const auto line = std::get<SerialAddress>(*parse_link("serial:///dev/ttyS0"));
  EXPECT_EQ(line.baud, 9600);
  EXPECT_EQ(line.data_bits, 8);
  EXPECT_EQ(line.parity, Parity::none);
  EXPECT_EQ(line.stop_bits, 1);
  EXPECT_TRUE(line.rts);
  EXPECT_TRUE(line.dtr);
}

TEST(LinkAddress, refuses_what_it_does_not_understand_and_says_what_it_expected) {
  struct Case {
    std::string text, says;
  };
  for (const Case& c : {Case{"", "neither tcp:// nor serial://"},
                        {"http://x", "neither tcp:// nor serial://"},
                        {"tcp://", "host is missing"},
                        {"tcp://:5025", "host is missing"},
                        {"tcp://h:", "not a number from 1 to 65535"},
                        {"tcp://h:0", "not a number from 1 to 65535"},
                        {"tcp://h:65536", "not a number from 1 to 65535"},
                        {"tcp://h:99999999999999999999", "not a number from 1 to 65535"},
                        {"tcp://h:50x", "not a number from 1 to 65535"},
                        {"tcp://h:-1", "not a number from 1 to 65535"},
                        {"tcp://1.2.3.256:1", "neither an address nor a host name"},
                        {"tcp://a b:1", "space or a control"},
                        {"tcp://::1:5025", "in brackets"},
                        {"tcp://[::1:5025", "never closes"},
                        {"tcp://[::g]:5025", "not an IPv6 address"},
                        {"tcp://[::1]5025", "a port was expected"},
                        {"tcp://-x:1", "neither an address"},
                        {"serial://ttyUSB0", "absolute path"},
                        {"serial:///dev/x?baud", "has no value"},
                        {"serial:///dev/x?baud=0", "from 50 to 4000000"},
                        {"serial:///dev/x?baud=9600&baud=9600", "given twice"},
                        {"serial:///dev/x?bits=9", "from 5 to 8"},
                        {"serial:///dev/x?stop=3", "from 1 to 2"},
                        {"serial:///dev/x?parity=mark", "none, even or odd"},
                        {"serial:///dev/x?flow=yes", "none, rts-cts"},
                        {"serial:///dev/x?rts=1", "on or off"},
                        {"serial:///dev/x?speed=9600", "known are baud"},
                        {"tcp://" + std::string(5000, 'a'), "too long"}}) {
    const auto address = parse_link(c.text);
    ASSERT_FALSE(address.has_value()) << c.text;
    EXPECT_NE(describe(address.error()).find(c.says), std::string::npos)
        << c.text << ": " << describe(address.error());
  }
}

}  // namespace
}  // namespace chargewright::drivers
