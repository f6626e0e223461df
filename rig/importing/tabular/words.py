"""The words that loggers and scales write, in the main European languages, without accents and in lower case.

Common practice, no source: gathered from the vocabulary of the trade.
"""

from __future__ import annotations

import re
import unicodedata
from functools import lru_cache

_UNDECOMPOSED = str.maketrans(
    {"æ": "ae", "ø": "o", "ł": "l", "ß": "ss", "đ": "d", "ı": "i", "ð": "d", "þ": "th"}
)
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z])")
_WORD = re.compile(r"[^\W\d_]+")


def folded(text: str) -> str:
    """The text in lower case, without accents."""
    plain = unicodedata.normalize("NFKD", text.casefold().translate(_UNDECOMPOSED))
    return "".join(c for c in plain if not unicodedata.combining(c)).strip()


@lru_cache(1 << 10)
def words_of(text: str) -> tuple[str, ...]:
    """The folded words of a header: 'ProbeTemp_2 (oC)' gives probe, temp, oc."""
    return tuple(_WORD.findall(folded(_CAMEL.sub(" ", text))))


def has_word(text: str, words: frozenset[str], stems: tuple[str, ...] = ()) -> bool:
    """True where a word of the text is one of `words` or begins with one of `stems`."""
    return any(w in words or (bool(stems) and w.startswith(stems)) for w in words_of(text))


def _set(text: str) -> frozenset[str]:
    return frozenset(text.split())


TEMPERATURE = _set(
    "temp tmp probe probes sonde sonda sond fuhler tc rtd ntc thermo thermometer thermocouple thermistor "
    "thermoelement termopar termocoppia termopara termoelement thermokoppel lampotila teplota homerseklet "
    "hitastig tliq tprobe sicaklik isi temperatuur termometro termometr termometer termometru szonda sonda "
    "sonda cidlo snimac anturi foler sonde folare sensore датчик температуры зонд щуп αισθητηρασ"
)
TEMPERATURE_STEMS = (
    "temperat",
    "thermoc",
    "termocoup",
    "температ",
    "термо",
    "θερμο",
    "lampotil",
    "homerseklet",
)
MASS = _set(
    "mass masse massa masa weight weights gewicht poids peso waga vikt vaegt vekt paino hmotnost vaha "
    "tomeg suly scale scales balance bilance waage bascula balanca bilancia weegschaal vag loadcell load wt "
    "agirlik kutle greutate tezina teza merleg terazi vaaka vaegt netto brutto net gross масса вес весы нетто "
    "маса тегло вага βαροσ μαζα ζυγαρια"
)
HUMIDITY = _set("rh humedad umidita umidade humidade kosteus vlhkost paratartalom")
HUMIDITY_STEMS = (
    "humid",
    "feucht",
    "luftfeucht",
    "vocht",
    "luchtvocht",
    "wilgot",
    "fukt",
    "luftfukt",
    "fugt",
)
VOLTAGE = _set(
    "volt volts voltage spannung tension tensione tensao spanning napiecie spanning spaending jannite "
    "battery batt akku batterie bateria batteria batteri vcc vbat"
)
PRESSURE = _set(
    "pressure druck luftdruck pression presion pressione pressao druk cisnienie tryck tryk paine tlak"
)
FREQUENCY = _set("cadence rpm freq frequency drehzahl frequenz frequence frecuencia frequenza")
DEW_POINT = _set(
    "dew dewpoint taupunkt rosee rocio rugiada orvalho dauwpunt rosy daggpunkt dugpunkt kastepiste"
)
SET_POINT = _set("set setpoint soll sollwert consigne consigna setpunt borvarde setpunkt")
ROOM = _set("room ambient raum umgebung ambiante ambiente piece kamer omgeving pokoj otoczenie rum air luft")

DATE = _set(
    "date datum data fecha dato paiva paivamaara pvm day tag jour dia giorno dag dzien datetime timestamp tarih "
    "kelt дата день ημερομηνια"
)
TIME = DATE | _set(
    "time times timestamp datetime clock elapsed utc gmt stamp ts t zeit uhrzeit zeitstempel zeitpunkt temps "
    "heure horodatage duree tiempo hora ora orario tempo duracion durata tijd tijdstip czas godzina tid "
    "tidpunkt klockslag klokkeslaet klokkeslett aika klo cas ido timp millis micros millisec uptime runtime "
    "laufzeit dauer duration timer stopwatch chrono when seconds ido idopont zaman saat sure vreme vrijeme ura "
    "aeg laikas laiks unix epoch posix unixtime время часы час χρονοσ ωρα logged moment instant momento"
)
ELAPSED = _set(
    "elapsed duration duree duracion durata dauer laufzeit runtime uptime verstrichen ecoule transcurrido "
    "trascorso decorrido verstreken timer stopwatch chrono relative"
)
COUNTERS = _set("millis micros millisec ms us uptime")
INDEX = _set(
    "sample samples index idx no nr num number n row record records rec rn seq sequence scan count "
    "counter lfd lp numero messung punkt point reading medicion mesure enregistrement pomiar matning messpunkt "
    "place position pos zeile ligne fila riga rij rivi radek sor sorszam satir строка номер nro mittaus maling "
    "misura prova campione muestra echantillon probenummer messnr datensatz"
)
STATUS = _set("status state stable stability stab flag flags quality zustand etat estado stato statut stan")
CHANNEL = _set(
    "channel chan ch kanal canal canale kanaal sensor sensors capteur sensore czujnik sonde sonda probe "
    "fuhler name source id tag device series variable parameter quantity messstelle type"
)
VALUE = _set(
    "value values wert werte messwert valeur valor valore waarde wartosc varde vaerdi arvo reading "
    "measurement mesure medida misura lectura"
)
UNIT = _set(
    "unit units einheit einheiten unite unites unidad unita unidade eenheid jednostka enhet enhed yksikko"
)
HEADER_WORDS = (
    TIME
    | INDEX
    | STATUS
    | CHANNEL
    | VALUE
    | UNIT
    | TEMPERATURE
    | MASS
    | HUMIDITY
    | VOLTAGE
    | DEW_POINT
    | SET_POINT
)
INTERVAL = _set(
    "sampling abtastung logging messrate samplingrate messtakt frekvens campionamento muestreo "
    "echantillonnage probkowania krok shag интервал шаг aikavali intervallum "
    "interval intervall intervalle intervallo intervalo interwal rate period periode periodo takt "
    "messintervall abtastrate abtastintervall samplerate cadence step dt pas frequency frequenz "
    "meetinterval provtagning every alle toutes ogni cada elke δt"
)
TAKING = _set("sample samples scan log logging record recording store time mess messung mesure every")
START = _set(
    "start started begin begun begins beginn gestartet date datum data fecha dato debut demarrage inicio "
    "inizio aanvang start poczatek startzeit starttime begonnen"
)

MISSING = (
    "", "-", "--", "---", "----", "-----", "------", "–", "—", "n/a", "N/A", "n.a.", "N.A.", "na", "NA",
    "#N/A", "nan", "NaN", "NAN", "-nan", "nul", "null", "NULL", "Null", "none", "None", "nil", "?",
    "??", "???", "*", "**", "***", "****", "*****", "k.A.", "k. A.", "nc", "NC", "missing", "no data",
    "No Data", "n.d.", ".", "...", "x", "--.-", "---.-", "--.--", "-.-", "-.--", "___", "#VALUE!",
    "#DIV/0!", "#REF!", "#NV",
)  # fmt: skip
OVERLOAD = _set(
    "ol o.l. o.l 0l over ovld overload overrange overflow over-range underload under underrange err error "
    "fail fault open open-circuit hi lo high low hhhh llll oooo uuuu disconnected unplugged off inf -inf "
    "+inf infinity -infinity #### ##### ###### eee e1 e2 err1 err2 range"
)
STABLE = _set(
    "st us gs nt s d i n g r stable unstable dynamic static stabil instabil motion ok net gross tare tr wt wn"
)
STABLE_OVERLOAD = _set("ol overload over under ovld err error")

_MONTHS = {
    1: "jan januar janvier janv januari january enero ene gennaio gen janeiro styczen stycznia sty tammi",
    2: "feb februar fevrier fevr fev februari february febrero febbraio fevereiro luty lutego lut helmi",
    3: "mar marz maerz mrz mars march marzo marco maart mrt marzec marca maalis",
    4: "apr april avril avr abril abr aprile kwiecien kwietnia kwi huhti",
    5: "may mai mayo maggio mag maio mei maj maja touko",
    6: "jun juni june juin junio giugno giu junho czerwiec czerwca cze kesa",
    7: "jul juli july juillet juil julio luglio lug julho lipiec lipca lip heina",
    8: "aug august aout augusti agosto ago augustus sierpien sierpnia sie elo",
    9: "sep sept september septembre septiembre settembre set setembro wrzesien wrzesnia wrz syys",
    10: "oct okt october oktober octobre octubre ottobre ott outubro out pazdziernik pazdziernika paz loka",
    11: "nov november novembre noviembre novembro listopad listopada lis marras",
    12: "dec dez des december dezember desember decembre diciembre dic dicembre dezembro grudzien gru joulu",
}
MONTHS = {word: month for month, line in _MONTHS.items() for word in line.split()}
WEEKDAYS = _set(
    "mon tue wed thu fri sat sun monday tuesday wednesday thursday friday saturday sunday mo di mi do fr "
    "sa so montag dienstag mittwoch donnerstag freitag samstag sonntag lun mar mer jeu ven sam dim lundi "
    "mardi mercredi jeudi vendredi samedi dimanche"
)
