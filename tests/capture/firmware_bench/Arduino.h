// The least of a board's core that the sketches use, so that they compile and run on a desk.
// Hardware is a script: each call takes its answer from a queue that the test fills through standard input.
#ifndef BENCH_ARDUINO_H
#define BENCH_ARDUINO_H

#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

enum { LOW = 0, HIGH = 1, INPUT = 0, OUTPUT = 1, MSBFIRST = 1, SPI_MODE0 = 0 };

extern uint32_t bench_ms;
extern int bench_pin_level(uint8_t pin);
extern uint8_t bench_byte();

inline uint32_t millis() { return bench_ms; }
inline void delayMicroseconds(unsigned) {}
inline void pinMode(uint8_t, uint8_t) {}
inline void digitalWrite(uint8_t, uint8_t) {}
inline int digitalRead(uint8_t pin) { return bench_pin_level(pin); }
inline void noInterrupts() {}
inline void interrupts() {}

struct BenchSerial {
  void begin(unsigned long) {}
  void print(const char *text) { fputs(text, stdout); }
};
extern BenchSerial Serial;

#endif
