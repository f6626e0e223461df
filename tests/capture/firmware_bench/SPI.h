#ifndef BENCH_SPI_H
#define BENCH_SPI_H
#include <Arduino.h>
struct SPISettings {
  SPISettings(unsigned long, int, int) {}
};
struct BenchSpi {
  void begin() {}
  void beginTransaction(SPISettings) {}
  uint8_t transfer(uint8_t) { return bench_byte(); }
  void endTransaction() {}
};
extern BenchSpi SPI;
#endif
