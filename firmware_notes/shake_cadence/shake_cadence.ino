// Accelerometer on the shaker for its cadence: a three-axis chip with an I2C register map
// (datasheet ADXL345, Analog Devices; from memory), +-16 g, 3.9 mg per count. Fifty lines a second.
// Send raw acceleration; the host finds the cadence, so that a better method can be tried on old runs.

#include <Arduino.h>
#include <Wire.h>
#include <wire_line.h>

const char BOARD[] = "cadence-1";
const uint8_t ADDRESS = 0x53;
const uint32_t PERIOD_MS = 20;

WireLine line;
uint32_t sequence = 0;
uint32_t next_ms = 0;

void write_register(uint8_t where, uint8_t what) {
  Wire.beginTransmission(ADDRESS);
  Wire.write(where);
  Wire.write(what);
  Wire.endTransmission();
}

bool read_axes(int16_t *axes) {
  Wire.beginTransmission(ADDRESS);
  Wire.write((uint8_t)0x32);
  if (Wire.endTransmission() != 0) return false;
  if (Wire.requestFrom(ADDRESS, (uint8_t)6) != 6) return false;
  for (uint8_t k = 0; k < 3; k++) {
    uint8_t low = (uint8_t)Wire.read();
    axes[k] = (int16_t)((uint16_t)(uint8_t)Wire.read() << 8 | low);
  }
  return true;
}

void setup() {
  Serial.begin(115200);
  Wire.begin();
  write_register(0x31, 0x0B);  // full resolution, +-16 g
  write_register(0x2C, 0x0A);  // 100 measurements a second
  write_register(0x2D, 0x08);  // measure
  line.begin_identity(BOARD, "1");
  line.channel_name("ax");
  line.channel_name("ay");
  line.channel_name("az");
  Serial.print(line.end());
  next_ms = millis();
}

void loop() {
  if ((int32_t)(millis() - next_ms) < 0) return;
  next_ms += PERIOD_MS;
  static const char *const NAMES[3] = {"ax", "ay", "az"};
  int16_t axes[3] = {0, 0, 0};
  uint32_t tick_ms = millis();
  bool good = read_axes(axes);
  line.begin(sequence++, tick_ms);
  for (uint8_t k = 0; k < 3; k++) {
    if (good)
      line.number(NAMES[k], (int32_t)axes[k] * 3825 / 1000, 2, "m/s2");  // 3.9 mg = 0.03825 m/s2
    else
      line.none(NAMES[k], WireLine::FAULT, "m/s2");
  }
  Serial.print(line.end());
}
