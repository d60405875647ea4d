# SPDX-License-Identifier: GPL-3.0-or-later
"""The Harbour Lane bench's week, all invented: its outputs, days, units, what is wrong
with them and what becomes of them. week.py lives it."""
import dataclasses

SEED = 20261

# Parts of days: letter and time. Days count from today: so many working days before
# it. Only the last three are the week itself.
DAYS = {"a": 69, "c": 9, "d": 2, "e": 1, "f": 0}
TIMES = {"1": "08:40", "2": "11:10", "3": "15:30"}
CHECK_TIME = "08:05"

# The bench's outputs by what speaks for them; rear is the one that drifts.
SCPI, MODBUS = "scpi", "modbus-input-f32"
SUPPLIES = {"left": SCPI, "right": MODBUS, "rear": SCPI,
            **{f"rack-{i}": SCPI if i % 2 else MODBUS for i in range(1, 13)}}
READ_BY = {"reefer-controller": SCPI, "bilge-pump-controller": SCPI,
           "genset-governor": SCPI, "winch-brake-controller": SCPI,
           "hatch-actuator-controller": MODBUS, "crane-joystick-node": MODBUS,
           "ice-machine-controller": MODBUS}

# The daily check over the last working days, today last: what left and right miss is
# noise; rear's current reads that much too high.
REAR_GAIN = (0, 0, 0.001, 0.003, 0.006, 0.009, 0.013, 0.018, 0.024, 0.031, 0.042)
CHECKED = ("left", "right", "rear")

TYPES = {  # nominal voltage, feeds, cautions
    "reefer-controller": (24, ["30", "15"], ["A lithium coin cell sits beside the processor."]),
    "bilge-pump-controller": (12, ["30"], ["The pump output turns once at every start."]),
    "hatch-actuator-controller": (24, ["30", "15"], ["The actuator's bridge stays charged."]),
    "crane-joystick-node": (12, ["30", "15"], []),
    "genset-governor": (24, ["30"], ["The actuator moves at every start: fingers away."]),
    "ice-machine-controller": (24, ["30"], ["The heater's output is live while it wakes."]),
    "winch-brake-controller": (12, ["30", "15"], ["The coil output lifts a brake: nothing on it."]),
}
CUSTOMERS = ("Trawler Agnes-May", "Fish dock, cold store 3", "Pilot boat Merrow",
             "Harbour crane 2", "Ferry Lady Tamsin", "Skerry Ice Works", "Tug Bollard Queen",
             "Lifeboat house, Port Orrin", "Workboat Petrel", "Quayside Cold Chain")
HANDS = ("TM", "MO", "KA")

# What is usually wrong with a type: fault, complaint, found cause, parts.
USUAL = {
    "reefer-controller": (
        ("stall:2", "display stays dark", "cracked joint at the memory's supply pin", "none: reflowed"),
        ("low:15", "alarm: sensor supply", "excitation regulator tired", "regulator"),
        ("restart:1.2", "starts over and over", "dried-out capacitor at the 5 V rail", "2 capacitors")),
    "bilge-pump-controller": (
        ("missing:3", "pump never tried", "relay driver open", "driver transistor"),
        ("high:20", "battery flat over night", "leaking suppressor diode", "suppressor diode")),
    "genset-governor": (
        ("stall:3", "no speed shown", "shorted sensor supply", "sensor supply regulator"),
        ("low:18", "actuator slack", "worn contact at the actuator's driver", "relay")),
    "winch-brake-controller": (
        ("missing:2", "brake does not lift", "coil driver blown", "coil driver"),
        ("late:3:2.5", "bus joins late", "wrong termination left by another shop", "resistor"),
        ("no-wake", "dead", "open fuse trace", "trace bridged")),
    "hatch-actuator-controller": (
        ("stall:3", "hatch stops half way", "end-stop input dead", "optocoupler"),
        ("high:25", "warm at rest", "bridge leaks", "bridge pair")),
    "crane-joystick-node": (
        ("late:3:2.5", "slow to wake", "bus driver tired", "bus driver"),
        ("stall:2", "all lamps lit, no more", "clock crystal cracked", "crystal"),
        ("short", "blows the fuse", "shorted input capacitor", "capacitor")),
    "ice-machine-controller": (
        ("missing:3", "drain never opens", "triac open", "triac"),
        ("stall:2", "hangs at start", "memory contents lost", "memory, written anew")),
}
# Where an ordinary repair goes; the last step, where it is "final", closes it.
WAYS = (
    (("d1", "intake", 1), ("d2", "heat check", 1), ("d3", "after rework", 1), ("e3", "final", 2)),
    (("d1", "intake", 2), ("d2", "after rework", 1), ("d3", "final", 2)),
    (("d2", "intake", 1), ("e1", "after rework", 1), ("e2", "after coating", 1), ("e3", "final", 2)),
    (("d3", "intake", 1), ("e1", "after rework", 1), ("e2", "after cleaning", 1), ("f1", "final", 2)),
    (("e1", "intake", 2), ("e3", "after rework", 1), ("f1", "final", 2)),
    (("e2", "intake", 1), ("f1", "after rework", 1), ("f2", "after coating", 1)),
    (("e3", "intake", 1), ("f2", "after rework", 1)),
    (("f1", "intake", 1), ("f2", "heat check", 1)),
    (("f2", "intake", 1),),
)
ORDINARY = 27


@dataclasses.dataclass
class Step:
    """What is done to a unit in one part of one day."""
    part: str
    stage: str = None
    power_ups: int = 1
    fault: object = "none"  # or one a power-up
    tag: str = None
    ambient_C: float = 23
    on: str = None  # the output it must be on
    hot_after_s: float = None  # a soak: warmed to ambient_C only then, for 3 s
    on_s: float = 0  # at least
    notes: tuple = ()
    readings: tuple = ()  # (what, value, unit)
    close: tuple = None  # outcome, found cause, parts
    trusted: str = None  # its power-ups may teach, and why
    strayed: str = None  # the unit they were put to first, by mistake
    run: int = 0  # that many, switched by the daemon
    order: bool = True


@dataclasses.dataclass
class Story:
    unit: str
    type: str
    complaint: str
    steps: list
    customer: str = None
    cells: str = None
    condition: str = None
    revision: str = None


# What the shop tells one another; everything else is made from USUAL and WAYS.
STORIES = [
    # Back after three months with the joint that was never reflowed.
    Story("HL-4107", "winch-brake-controller", "brake lifts late",
          [Step("a1", "intake", 1, "low:14"),
           Step("a3", "final", 1, close=("repaired", "coil driver's joint cracked", "none: reflowed"))],
          "Tug Bollard Queen"),
    Story("HL-4107", "winch-brake-controller", "same again, brake lifts late",
          [Step("d1", "intake", 2, "low:13", notes=("the same fault as at the first repair",)),
           Step("d2", "after rework", 1), Step("d3", "after coating", 1),
           Step("e3", "final", 2, close=("repaired", "the joint beside the one reflowed in the "
                                         "first repair", "coil driver"))],
          "Tug Bollard Queen"),
    # Back, and nothing to be found: its evidence.
    Story("HL-4118", "winch-brake-controller", "bus joins late",
          [Step("a1", "intake", 1, "late:3:2.5"),
           Step("a3", "final", 1, close=("repaired", "bus driver tired", "bus driver"))],
          "Harbour crane 2"),
    Story("HL-4118", "winch-brake-controller", "dead again, says the crane driver",
          [Step("e1", "intake", 2, notes=("green in the plug's contact 4; customer told",)),
           Step("e2", "heat check", 1, tag="heat", ambient_C=60),
           Step("e3", "final", 2, close=("nothing found", "corroded plug on the crane's side", "none"))],
          "Harbour crane 2"),
    # Back today, and still open.
    Story("HL-2077", "reefer-controller", "sensor alarm",
          [Step("c1", "intake", 1, "stall:3"),
           Step("c3", "final", 1, close=("repaired", "sensor supply shorted", "regulator"))],
          "Quayside Cold Chain", "one lithium coin cell"),
    Story("HL-2077", "reefer-controller", "restarts at sea",
          [Step("f1", "intake", 2, "restart:1.2")], "Quayside Cold Chain", "one lithium coin cell"),
    # Good at room temperature, opens when warm.
    Story("HL-3702", "hatch-actuator-controller", "quits after ten minutes",
          [Step("d1", "intake", 1), Step("d2", "heat check", 1, "joint:60", "heat", 80,
                notes=("opens when the connector's corner is warmed",)),
           Step("d3", "after rework", 1), Step("e1", "final", 2, close=(
               "repaired", "joint at the connector opens when warm", "none: reflowed"))],
          "Ferry Lady Tamsin"),
    # Recovers under heat: a diagnosis, never good.
    Story("HL-2512", "ice-machine-controller", "hangs on cold mornings",
          [Step("d2", "intake", 1, "stall:2"), Step("d3", "heat check", 1, "none", "heat", 60,
                notes=("wakes as it should under warm air: a capacitor, by the look of it",)),
           Step("e2", "after rework", 1),
           Step("f1", "final", 1, "joint:60", ambient_C=80, hot_after_s=15, on_s=24,
                notes=("soaked: the draw drops out as it warms. Not ready to go",))],
          "Skerry Ice Works"),
    # Now and then.
    Story("HL-5203", "genset-governor", "sometimes does not start",
          [Step("d1", "intake", 4, ("none", "stall:2", "none", "stall:2"),
                notes=("two of four: tapped beside the crystal",)),
           Step("d3", "after rework", 2), Step("e2", "final", 2, close=(
               "repaired", "dry joint at the supervisor", "none: reflowed"))],
          "Pilot boat Merrow", revision="B"),
    Story("HL-5210", "genset-governor", "burnt smell",
          [Step("d2", "intake", 1, "short",
                readings=(("ohms, supply to ground", 1.4, "ohm"),),
                close=("not repairable", "inner layers burnt through", "none"))],
          "Workboat Petrel", condition="burnt around the actuator's driver"),
    Story("HL-1604", "bilge-pump-controller", "pump runs for ever",
          [Step("e1", "intake", 1, "high:20", close=("returned as it was",
                "suppressor leaks; the customer buys a new one", "none"))],
          "Lifeboat house, Port Orrin"),
    # Judged on the drifting output, then again on a sound one.
    Story("HL-1611", "bilge-pump-controller", "float switch ignored",
          [Step("d2", "intake", 1, "missing:3", on="rear"), Step("e2", "after rework", 1, on="rear"),
           Step("f1", "final", 1, on="rear", notes=("rear's check failed today: once more on left",)),
           Step("f2", "final", 2, on="left", close=("repaired", "relay driver open",
                                                    "driver transistor"))],
          "Pilot boat Merrow"),
    # Scanned wrongly; moved afterwards.
    Story("HL-4125", "winch-brake-controller", "brake does not lift",
          [Step("d3", "intake", 1, "stall:2", strayed="HL-4118"), Step("e2", "after rework", 1),
           Step("f1", "final", 0, run=4)], "Harbour crane 2"),
    # Known-goods for a reference of the shop's own; one of them is none.
    *(Story(f"HL-42{i:02}", "winch-brake-controller", None,
            [Step("c3" if i % 2 else "c1", None, 2, "high:9" if i == 14 else "none", order=False,
                  trusted="worked on crane 2 until the day it came" if i == 14
                  else "a year on the test crane without a fault")])
      for i in range(11, 16)),
]
SMALL = [
    Story("HL-4107", "winch-brake-controller", "brake does not lift",
          [Step("c1", "intake", 1, "stall:2", readings=(("ohms, supply to ground", 812, "ohm"),)),
           Step("c3", "final", 1, close=("repaired", "coil driver blown", "coil driver"))],
          "Harbour crane 2"),
    Story("HL-4107", "winch-brake-controller", "same again",
          [Step("f1", "intake", 1, "stall:2", notes=("as at the first repair",))],
          "Harbour crane 2"),
    Story("HL-2090", "reefer-controller", "dark", [
        Step("c1", "intake", 1, "short"), Step("f1", "final", 1, on="left", close=(
            "repaired", "shorted input capacitor", "capacitor"))], "Trawler Agnes-May"),
    Story("HL-1620", "bilge-pump-controller", "quits when warm", [
        Step("c1", "intake", 1), Step("f1", "final", 1, close=(
            "nothing found", "corroded plug", "none"))], "Workboat Petrel"),
]


def ordinary(dice):
    """The shop's everyday repairs."""
    types = list(USUAL)
    stories = []
    for i in range(ORDINARY):
        type_ = types[i % len(types)]
        fault, complaint, cause, parts = USUAL[type_][(i // len(types)) % len(USUAL[type_])]
        steps = [Step(part, stage, count, fault if stage in ("intake", "heat check") else "none",
                      tag="heat" if stage == "heat check" else None,
                      close=("repaired", cause, parts) if stage == "final" else None,
                      readings=(("ohms, supply to ground", round(dice.uniform(300, 4000)), "ohm"),)
                      if stage == "intake" else ())
                 for part, stage, count in WAYS[i % len(WAYS)]]
        stories.append(Story(f"HL-{1500 + 500 * types.index(type_) + 37 * i % 400:04}", type_,
                             complaint, steps, dice.choice(CUSTOMERS),
                             "one lithium coin cell" if type_ == "reefer-controller" else None))
    return stories
