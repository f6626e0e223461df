// One line of the wire format, built without floating point printing and without the heap.
//
//   WireLine line;
//   line.begin(sequence++, millis());
//   line.number("probe", -25, 2, "C");      // hundredths: prints probe=-0.25C
//   line.none("scale", WireLine::OVERLOAD, "g");
//   Serial.print(line.end());               // $R,17,48210,probe=-0.25C,scale=^g*....\r\n
//
// Plain C++11; compiles on the board and on a desk. A field that does not fit makes end() return "".

#ifndef WIRE_LINE_H
#define WIRE_LINE_H

#include <stdint.h>

class WireLine {
 public:
  static const char FAULT = '?';
  static const char OVERLOAD = '^';

  void begin(uint32_t sequence, uint32_t tick_ms) {
    restart("R");
    put(',');
    put_count(sequence, 1);
    put(',');
    put_count(tick_ms, 1);
  }

  void begin_identity(const char *board, const char *firmware) {
    restart("ID");
    put(',');
    put(board);
    put(',');
    put(firmware);
  }

  void channel_name(const char *name) {
    put(',');
    put(name);
  }

  // scaled / 10^decimals, whole numbers only: -5 with 2 decimals is -0.05, sign and all.
  void number(const char *name, int32_t scaled, uint8_t decimals, const char *unit, bool settled = true) {
    channel_name(name);
    put('=');
    uint32_t size = scaled < 0 ? 0u - (uint32_t)scaled : (uint32_t)scaled;
    if (scaled < 0) put('-');
    uint32_t one = 1;
    for (uint8_t k = 0; k < decimals; k++) one *= 10;
    put_count(size / one, 1);
    if (decimals) {
      put('.');
      put_count(size % one, decimals);
    }
    put(unit);
    if (!settled) put('~');
  }

  void none(const char *name, char why, const char *unit) {
    channel_name(name);
    put('=');
    put(why);
    put(unit);
  }

  const char *end() {
    uint16_t check = 0xFFFF;
    for (uint16_t k = 1; k < used_; k++) check = crc16(check, (uint8_t)text_[k]);
    put('*');
    for (int8_t shift = 12; shift >= 0; shift -= 4) put("0123456789ABCDEF"[(check >> shift) & 15]);
    put('\r');
    put('\n');
    text_[used_] = 0;
    return full_ ? "" : text_;
  }

  // CRC-16/CCITT-FALSE: polynomial 0x1021, start 0xFFFF; "123456789" gives 0x29B1.
  static uint16_t crc16(uint16_t check, uint8_t byte) {
    check ^= (uint16_t)((uint16_t)byte << 8);
    for (uint8_t k = 0; k < 8; k++)
      check = (check & 0x8000) ? (uint16_t)((check << 1) ^ 0x1021) : (uint16_t)(check << 1);
    return check;
  }

 private:
  static const uint16_t ROOM = 160;
  char text_[ROOM];
  uint16_t used_;
  bool full_;

  void restart(const char *kind) {
    used_ = 0;
    full_ = false;
    put('$');
    put(kind);
  }

  void put(char c) {
    if (used_ < ROOM - 1)
      text_[used_++] = c;
    else
      full_ = true;
  }

  void put(const char *s) {
    while (*s) put(*s++);
  }

  void put_count(uint32_t value, uint8_t least_digits) {
    char digits[10];
    uint8_t n = 0;
    do {
      digits[n++] = (char)('0' + value % 10);
      value /= 10;
    } while (value || n < least_digits);
    while (n) put(digits[--n]);
  }
};

#endif
