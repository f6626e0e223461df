// Reads "R sequence tick count" and "I board firmware count" records, with their channels, from standard
// input and prints the lines that wire_line.h makes of them. "-" stands for an empty word.
#include <stdio.h>
#include <string.h>
#include <wire_line.h>

static const char *word(char *into) {
  if (scanf("%63s", into) != 1) into[0] = 0;
  if (!strcmp(into, "-")) into[0] = 0;
  return into;
}

int main() {
  char kind[64], a[64], b[64], unit[64], mark[64];
  while (*word(kind)) {
    WireLine line;
    unsigned count = 0;
    if (!strcmp(kind, "I")) {
      word(a);
      word(b);
      line.begin_identity(a, b);
      if (scanf("%u", &count) != 1) return 1;
      while (count--) line.channel_name(word(a));
    } else {
      unsigned long sequence = 0, tick = 0;
      if (scanf("%lu %lu %u", &sequence, &tick, &count) != 3) return 1;
      line.begin((uint32_t)sequence, (uint32_t)tick);
      while (count--) {
        long scaled = 0;
        unsigned decimals = 0;
        word(a);
        if (scanf("%ld %u", &scaled, &decimals) != 2) return 1;
        word(unit);
        word(mark);
        if (mark[0] == '?' || mark[0] == '^')
          line.none(a, mark[0], unit);
        else
          line.number(a, (int32_t)scaled, (uint8_t)decimals, unit, mark[0] != '~');
      }
    }
    const char *text = line.end();
    printf("%u %s", (unsigned)strlen(text), text);
    if (!*text) printf("\r\n");
  }
  return 0;
}
