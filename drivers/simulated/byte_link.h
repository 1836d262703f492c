#pragma once
// A simulated link in virtual time: bytes between a host and one simulated device, with what links
// do to bytes: they take time, arrive in pieces, twice, late or never; and the link itself drops
// and comes back. The device's fault `link-dropped` drops it, too. Plain code; time is an argument.
//
// The counterpart of drivers/link.h: what the host is told comes from within turn(), never from
// within write().

#include <algorithm>
#include <optional>
#include <string>
#include <string_view>

#include "drivers/link.h"
#include "drivers/ring.h"
#include "drivers/simulated/scpi_device.h"

namespace chargewright::drivers::simulated {

struct ByteLinkModel {
  Duration to_device{};  // how long a byte is under way; 0: it arrives within write()
  Duration to_host{};
  Duration reconnects_after = std::chrono::milliseconds(50);  // from when it could be up
};

// What goes wrong on the way; may be changed at any time, and holds for what is sent from then on.
struct ByteLinkTrouble {
  std::size_t piece = 0;  // so many bytes at once, in both directions; 0: all of them
  Duration between_pieces{};
  Duration late{};       // on top of the model's times
  bool stalled = false;  // nothing moves, and nobody is told; what waits is not lost
  bool twice = false;    // every answer that arrives whole arrives twice
};

class ByteLink {
 public:
  // `user` is told from within turn().
  ByteLink(ScpiDevice& device, const ByteLinkModel& model, LinkUser& user);

  // Opens, and reopens after every loss.
  void start(Instant now);
  // Bounded: more than 64 KiB that wait take the link down.
  void write(std::string_view bytes, Instant now);
  // Moves what is due; true: something moved.
  bool turn(Instant now) { return wake() <= now && move(now); }
  // A moment that has gone by: something is to be done at once.
  [[nodiscard]] Instant wake() const {
    if (!started_) return never;
    if (!port_) return told_up_ ? Instant::min() : up_at_;
    if (overflowed_ || is_dropped()) return Instant::min();
    if (trouble.stalled) return never;
    return std::min({to_device_.wake(), to_host_.wake(), port_->wake()});
  }

  // What was under way is lost, the device forgets the half of a message that it has.
  void drop(Instant now);
  // The host's end is another from now on: what was under way is lost, and nobody is told.
  void restart(Instant now);
  // Bytes that nobody asked for arrive at the host.
  void whisper(std::string_view bytes, Instant now);
  [[nodiscard]] bool is_up() const { return port_.has_value(); }

  ByteLinkTrouble trouble;

 private:
  static constexpr std::size_t waiting_most = 64 * 1024;
  // One direction: bytes, and when each stretch of them arrives.
  class Way {
   public:
    // False: too much waits.
    bool put(std::string_view bytes, Instant due);
    // What has arrived, at most `piece` bytes at once (0: all).
    std::string_view take(Instant now, std::size_t piece, Duration between);
    void taken(std::size_t bytes);
    void clear();
    [[nodiscard]] bool empty() const { return stretches_.empty(); }
    [[nodiscard]] Instant wake() const {
      return stretches_.empty() ? never : std::max(stretches_.front().due, next_piece_);
    }

   private:
    struct Stretch {
      std::size_t bytes = 0;
      Instant due{};
    };
    std::string bytes_;
    std::size_t begin_ = 0;
    Ring<Stretch, 512> stretches_;
    Instant next_piece_{};
  };
  [[nodiscard]] bool is_dropped() const {
    return device_.bench().faults(device_.id()).link_dropped;
  }
  bool move(Instant now);
  [[nodiscard]] bool is_plain(Duration model_time) const;
  void go_down(Instant now);
  bool listen_to_device(Instant now);
  bool deliver_to_device(Instant now);
  bool deliver_to_host(Instant now);

  ScpiDevice& device_;
  ByteLinkModel model_;
  LinkUser& user_;
  std::optional<ScpiPort> port_;  // one for each life of the link
  bool started_ = false;
  bool told_up_ = false;
  bool overflowed_ = false;
  Instant up_at_ = never;
  Way to_device_;
  Way to_host_;
};

}  // namespace chargewright::drivers::simulated
