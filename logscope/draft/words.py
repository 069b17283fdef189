"""The words of the trade in signal names, English and German, and their usual abbreviations.

Common practice, no published source: definitions typed by hand follow no standard of naming.
"""

from __future__ import annotations

from enum import Enum, auto


class Word(Enum):
    """What a word in a name speaks of."""

    # the subject: what is measured or switched
    LINK = auto()
    HIGH_VOLTAGE = auto()
    PACK = auto()
    AUX = auto()
    CHARGER = auto()
    CONVERTER = auto()
    MOTOR = auto()
    INVERTER = auto()
    VEHICLE = auto()
    COOLANT = auto()
    PUMP = auto()
    PRECHARGE = auto()
    CONTACTOR = auto()
    THROTTLE = auto()
    BRAKE = auto()
    FAN = auto()
    PLUG = auto()
    LOCK = auto()
    CELL = auto()
    CHARGE_LEVEL = auto()
    # the quantity
    VOLTAGE = auto()
    CURRENT = auto()
    SPEED = auto()
    TORQUE = auto()
    TEMPERATURE = auto()
    POWER = auto()
    # how it is meant
    TARGET = auto()
    SECOND = auto()
    POSITIVE = auto()
    NEGATIVE = auto()
    FAULT = auto()
    OVERCURRENT = auto()
    STATE = auto()
    INPUT = auto()
    OUTLET = auto()
    LOWEST = auto()
    HIGHEST = auto()
    # what makes it something else, which no part is
    LIMIT = auto()
    OTHER = auto()


SUBJECTS = frozenset(
    {
        Word.LINK, Word.HIGH_VOLTAGE, Word.PACK, Word.AUX, Word.CHARGER, Word.CONVERTER, Word.MOTOR, Word.INVERTER,
        Word.VEHICLE, Word.COOLANT, Word.PUMP, Word.PRECHARGE, Word.CONTACTOR, Word.THROTTLE, Word.BRAKE,
        Word.TORQUE, Word.FAN, Word.PLUG, Word.LOCK, Word.CELL, Word.CHARGE_LEVEL,
    }
)  # fmt: skip

# Words that stand for one meaning; also sought inside German and run-together compounds.
_LONG = {
    Word.LINK: "dclink link zwischenkreis dcbus busbar capacitor kondensator hvdc intermediate",
    Word.HIGH_VOLTAGE: "highvoltage hochvolt",
    Word.PACK: "battery batterie batt pack akku bms traktionsbatterie accumulator",
    Word.AUX: "aux auxiliary bordnetz lowvoltage niedervolt starter klemme",
    Word.CHARGER: "charger charging charge obc lader ladegeraet",
    Word.CONVERTER: "dcdc converter wandler spannungswandler",
    Word.MOTOR: "motor machine maschine emachine rotor shaft welle winding wicklung stator encoder phase strang",
    Word.INVERTER: "inverter umrichter wechselrichter igbt mosfet heatsink kuehlkoerper powerstage powermodule "
    "leistungsteil endstufe controller",
    Word.VEHICLE: "vehicle fahrzeug road strasse tacho",
    Word.COOLANT: "coolant water wasser kuehlwasser kuehlmittel cooling kuehlung",
    Word.PUMP: "pump pumpe",
    Word.PRECHARGE: "precharge precharging prechg vorlade vorladung vorlad",
    Word.CONTACTOR: "contactor contactors relay relais schuetz schuetze",
    Word.THROTTLE: "throttle accelerator accel fahrpedal gaspedal gas",
    Word.BRAKE: "brake bremse brems bremspedal",
    Word.VOLTAGE: "voltage volts volt spannung",
    Word.CURRENT: "current strom amps ampere",
    Word.SPEED: "speed drehzahl geschwindigkeit velocity",
    Word.TORQUE: "torque drehmoment moment",
    Word.FAN: "fan luefter",
    Word.PLUG: "plug plugged stecker gesteckt",
    Word.LOCK: "lock locked verriegelung verriegelt",
    Word.CELL: "cell cells zelle zellen",
    Word.CHARGE_LEVEL: "soc ladezustand",
    Word.POWER: "power leistung",
    Word.INPUT: "input eingang mains grid netz",
    Word.OUTLET: "outlet auslass ruecklauf",
    Word.LOWEST: "minimum min lowest coldest niedrigste kaelteste",
    Word.HIGHEST: "maximum max highest hottest hoechste waermste",
    Word.TEMPERATURE: "temperature temperatur temp",
    Word.TARGET: "target request requested demand demanded command commanded setpoint desired reference soll sollwert "
    "anforderung vorgabe",
    Word.SECOND: "second secondary zweite zweiter redundant",
    Word.POSITIVE: "main positive haupt plus",
    Word.NEGATIVE: "negative minus",
    Word.FAULT: "fault faults error fehler stoerung trip alarm",
    Word.OVERCURRENT: "overcurrent ueberstrom",
    Word.STATE: "state status zustand mode modus betriebsart",
    Word.LIMIT: "limit limits limited grenze grenzwert threshold schwelle average mean mittel "
    "available allowed permitted nominal rated derating",
    Word.OTHER: "counter zaehler alive checksum engine wheel ambient outside cabin innenraum "
    "gearbox getriebe heater heizung energy energie resistance widerstand isolation insulation "
    "pressure druck offset gain page done complete finished timeout failed weld welded stuck "
    "age slip schlupf steering lenkung vacuum unterdruck oil oel service interlock door tuer",
}  # fmt: skip

# Words too short or too common to be sought inside others; they count only alone.
_SHORT = {
    Word.LINK: "dc zk bus dcl",
    Word.HIGH_VOLTAGE: "hv",
    Word.PACK: "bat hvb hvbat ress",
    Word.AUX: "lv kl30 12v",
    Word.CHARGER: "chg chgr chrg",
    Word.MOTOR: "mot em edu iq id irms",
    Word.INVERTER: "inv mcu wr",
    Word.VEHICLE: "veh car fzg",
    Word.COOLANT: "clnt kw",
    Word.PRECHARGE: "pre pc",
    Word.CONTACTOR: "cont rly k1 k2 switch",
    Word.THROTTLE: "pedal app tps pot",
    Word.BRAKE: "brk",
    Word.VOLTAGE: "u v vdc",
    Word.CURRENT: "i curr cur amp",
    Word.SPEED: "n rpm spd kmh kph",
    Word.TORQUE: "trq tq torq",
    Word.TEMPERATURE: "t tmp",
    Word.TARGET: "tgt trg req cmd dmd set sp ref",
    Word.SECOND: "2 b 2nd",
    Word.POSITIVE: "pos",
    Word.NEGATIVE: "neg",
    Word.FAULT: "err flt dtc errcode errno",
    Word.OVERCURRENT: "oc",
    Word.STATE: "st stat sts",
    Word.OUTLET: "out",
    Word.LOWEST: "mn",
    Word.HIGHEST: "mx",
    Word.LIMIT: "lim avg thr",
    Word.OTHER: "str chksum cnt crc chk ecu ac kwh kw soh ptc",
}  # fmt: skip

# Abbreviations and pairs of words that mean more than one thing, or another thing than their parts.
PHRASES: dict[tuple[str, ...], tuple[Word, ...]] = {
    ("udc",): (Word.LINK, Word.VOLTAGE),
    ("vdc",): (Word.LINK, Word.VOLTAGE),
    ("uzk",): (Word.LINK, Word.VOLTAGE),
    ("idc",): (Word.LINK, Word.CURRENT),
    ("ubat",): (Word.PACK, Word.VOLTAGE),
    ("ubatt",): (Word.PACK, Word.VOLTAGE),
    ("vbat",): (Word.PACK, Word.VOLTAGE),
    ("ibat",): (Word.PACK, Word.CURRENT),
    ("ibatt",): (Word.PACK, Word.CURRENT),
    ("nmot",): (Word.MOTOR, Word.SPEED),
    ("imot",): (Word.MOTOR, Word.CURRENT),
    ("iph",): (Word.MOTOR, Word.CURRENT),
    ("iphase",): (Word.MOTOR, Word.CURRENT),
    ("tmot",): (Word.MOTOR, Word.TEMPERATURE),
    ("dc", "dc"): (Word.CONVERTER,),
    ("dc", "link"): (Word.LINK,),
    ("dc", "bus"): (Word.LINK,),
    ("pre", "charge"): (Word.PRECHARGE,),
    ("pre", "charging"): (Word.PRECHARGE,),
    ("over", "current"): (Word.OVERCURRENT,),
    ("over", "curr"): (Word.OVERCURRENT,),
    ("high", "voltage"): (Word.HIGH_VOLTAGE,),
    ("low", "voltage"): (Word.AUX,),
    ("12", "v"): (Word.AUX, Word.VOLTAGE),
    ("kl", "30"): (Word.AUX,),
    ("motor", "controller"): (Word.INVERTER,),
    ("brake", "pedal"): (Word.BRAKE,),
    ("heat", "sink"): (Word.INVERTER,),
    ("power", "stage"): (Word.INVERTER,),
    ("power", "module"): (Word.INVERTER,),
    ("charge", "level"): (Word.CHARGE_LEVEL,),
    ("state", "of", "charge"): (Word.CHARGE_LEVEL,),
    ("state", "of", "health"): (Word.OTHER,),
}


def _by_text(lists: dict[Word, str]) -> dict[str, Word]:
    return {text: word for word, texts in lists.items() for text in texts.split()}


# Words that mean nothing by themselves but occur within compounds.
FILLERS = ("ist", "istwert", "wert", "stellung", "position", "grad", "actual", "value")

ALONE = _by_text(_LONG) | _by_text(_SHORT)
INSIDE = _by_text(_LONG)
