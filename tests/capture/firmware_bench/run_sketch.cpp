// Runs one sketch (-DSKETCH="...ino") on a desk: bytes for its buses as hexadecimal on standard input.
// Pins read as the bits of the same bytes, most significant first; a pin is ready (low) before a new byte.
#include <Arduino.h>
#include <SPI.h>
#include <Wire.h>

uint32_t bench_ms = 0;
BenchSerial Serial;
BenchSpi SPI;
BenchWire Wire;

static bool over = false;
static unsigned bits = 0, bits_left = 0;
static bool ready_told = false;

uint8_t bench_byte() {
  unsigned value = 0;
  if (scanf("%2x", &value) != 1) over = true;
  return (uint8_t)value;
}

int bench_pin_level(uint8_t) {
  if (!ready_told && !bits_left) {
    ready_told = true;
    bits = (unsigned)bench_byte() << 16;
    bits |= (unsigned)bench_byte() << 8;
    bits |= bench_byte();
    bits_left = 24;
    return over ? HIGH : LOW;
  }
  bits_left--;
  if (!bits_left) ready_told = false;
  return (bits >> bits_left) & 1 ? HIGH : LOW;
}

#include SKETCH

int main() {
  bench_ms = 1000;
  setup();
  while (!over && bench_ms < 60000) {
    fflush(stdout);
    bench_ms += 10;
    loop();
  }
  return 0;
}
