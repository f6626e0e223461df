#ifndef BENCH_WIRE_H
#define BENCH_WIRE_H
#include <Arduino.h>
struct BenchWire {
  void begin() {}
  void beginTransmission(uint8_t) {}
  void write(uint8_t) {}
  uint8_t endTransmission() { return 0; }
  uint8_t requestFrom(uint8_t, uint8_t count) { return count; }
  int read() { return bench_byte(); }
};
extern BenchWire Wire;
#endif
