// Thermocouple behind an SPI amplifier that sends a 32-bit word (datasheet MAX31855, Maxim 19-5793):
// bits 31..18 the probe in quarters of a degree, 15..4 the chip in sixteenths, 16 and 2..0 the faults.
// One line ten times a second: probe in degrees Celsius; the chip's own temperature as room.

#include <Arduino.h>
#include <SPI.h>
#include <wire_line.h>

const char BOARD[] = "thermocouple-1";
const uint8_t SELECT_PIN = 10;
const uint32_t PERIOD_MS = 100;  // a conversion takes up to 100 ms

WireLine line;
uint32_t sequence = 0;
uint32_t next_ms = 0;

void setup() {
  Serial.begin(115200);
  pinMode(SELECT_PIN, OUTPUT);
  digitalWrite(SELECT_PIN, HIGH);
  SPI.begin();
  line.begin_identity(BOARD, "1");
  line.channel_name("probe");
  line.channel_name("room");
  Serial.print(line.end());
  next_ms = millis();
}

uint32_t read_word() {
  uint32_t word = 0;
  SPI.beginTransaction(SPISettings(1000000, MSBFIRST, SPI_MODE0));
  digitalWrite(SELECT_PIN, LOW);
  for (uint8_t k = 0; k < 4; k++) word = (word << 8) | SPI.transfer(0);
  digitalWrite(SELECT_PIN, HIGH);
  SPI.endTransaction();
  return word;
}

void loop() {
  if ((int32_t)(millis() - next_ms) < 0) return;
  next_ms += PERIOD_MS;
  uint32_t tick_ms = millis();  // before the reading: the stamp is that of the sample
  uint32_t word = read_word();
  int32_t quarters = (int32_t)word / 262144L;  // the upper 14 bits with their sign
  if ((int32_t)word < 0 && (word & 0x3FFFF)) quarters--;  // C division rounds towards 0
  int16_t sixteenths = (int16_t)(word & 0xFFF0) / 16;

  line.begin(sequence++, tick_ms);
  if (word == 0 || word == 0xFFFFFFFFUL || (word & 0x10007UL))
    line.none("probe", WireLine::FAULT, "C");
  else
    line.number("probe", quarters * 25, 2, "C");
  if (word == 0 || word == 0xFFFFFFFFUL)
    line.none("room", WireLine::FAULT, "C");
  else
    line.number("room", (int32_t)sixteenths * 625, 4, "C");
  Serial.print(line.end());
}
