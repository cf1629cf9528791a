"""Usual sizes of values and printed ratings, by kind of part and field. All common practice, no source, but where said.

Ends are those of parts an opened supply of 10 W to some kilowatts holds, with room; a value beyond an end may exist.
"""

from __future__ import annotations

Band = tuple[float, float]

# kind -> field -> usual range of one piece, SI
USUAL: dict[str, dict[str, Band]] = {
    "resistor": {"resistance": (1e-3, 22e6), "power_rating": (0.03, 50.0)},
    "shunt": {"resistance": (50e-6, 1.0), "power_rating": (0.1, 50.0)},
    "conductor": {"resistance": (5e-6, 0.2), "inductance": (1e-9, 20e-6)},
    "connector": {"contact_resistance": (50e-6, 50e-3), "current_rating": (0.5, 300.0)},
    "thermistor": {
        "resistance_25": (0.5, 120.0), "b_value": (1800.0, 5000.0), "dissipation_constant": (4e-3, 60e-3),
        "time_constant": (10.0, 250.0), "current_rating": (0.5, 40.0), "energy_rating": (5.0, 800.0),
    },
    "varistor": {"voltage_rating": (11.0, 1000.0), "voltage_at_1ma": (18.0, 1800.0), "energy_rating": (0.5, 1000.0)},
    "fuse": {
        "current_rating": (0.1, 63.0), "voltage_rating": (32.0, 1000.0), "cold_resistance": (0.5e-3, 2.0),
        "melting_i2t": (0.01, 5e3),
    },
    "relay": {
        "contact_resistance": (1e-3, 0.15), "closing_delay": (5e-3, 5.0), "current_rating": (2.0, 100.0),
        "making_current_rating": (5.0, 800.0),
    },
    "bridge_rectifier": {
        "forward_voltage": (0.65, 1.5), "forward_test_current": (0.2, 60.0), "slope_resistance": (1e-3, 0.2),
        "surge_current_rating": (20.0, 1000.0), "i2t_rating": (2.0, 4e3), "average_current_rating": (0.4, 80.0),
    },
    "diode": {
        "forward_voltage": (0.25, 2.6), "forward_test_current": (0.05, 120.0), "slope_resistance": (0.3e-3, 1.5),
        "average_current_rating": (0.1, 200.0), "surge_current_rating": (2.0, 1500.0), "i2t_rating": (0.02, 1e4),
        "junction_capacitance": (2e-12, 6e-9),
    },
    "mosfet": {
        "on_resistance": (0.3e-3, 10.0), "drain_current_rating": (0.5, 400.0), "output_capacitance": (8e-12, 12e-9),
        "body_diode_voltage": (0.5, 6.0),
    },
    "electrolytic_capacitor": {
        "capacitance": (0.47e-6, 33e-3), "esr": (2e-3, 20.0), "loss_angle": (0.02, 0.4), "loss_frequency": (100.0,
        120.0),
        "esl": (1e-9, 60e-9), "ripple_current_rating": (0.02, 30.0),
    },
    "polymer_capacitor": {
        "capacitance": (4.7e-6, 4.7e-3), "esr": (4e-3, 0.12), "esl": (0.3e-9, 30e-9), "ripple_current_rating": (0.3,
        12.0),
    },
    "ceramic_capacitor": {
        "capacitance": (1e-12, 100e-6), "esr": (0.3e-3, 2.0), "esl": (0.1e-9, 10e-9), "ripple_current_rating": (0.05,
        20.0),
    },
    "film_capacitor": {
        "capacitance": (100e-12, 50e-6), "esr": (0.5e-3, 1.0), "esl": (1e-9, 100e-9), "ripple_current_rating": (0.05,
        50.0),
    },
    "choke": {
        "inductance": (50e-9, 20e-3), "winding_resistance": (0.1e-3, 3.0), "saturation_current": (0.2, 300.0),
        "current_rating": (0.1, 200.0),
    },
    "common_mode_choke": {
        "inductance": (0.1e-3, 100e-3), "leakage_inductance": (0.5e-6, 3e-3), "winding_resistance": (0.5e-3, 3.0),
        "current_rating": (0.2, 60.0),
    },
    "transformer": {
        "primary_inductance": (5e-6, 30e-3), "leakage_inductance": (50e-9, 500e-6), "primary_turns": (2.0, 400.0),
        "secondary_turns": (0.5, 120.0), "ratio": (0.05, 120.0), "primary_resistance": (0.5e-3, 20.0),
        "secondary_resistance": (0.05e-3, 5.0), "saturation_current": (0.1, 200.0),
    },
    "winding": {"ratio": (0.05, 200.0), "turns": (0.5, 200.0), "resistance": (0.05e-3, 20.0)},
}  # fmt: skip

# role -> field -> a narrower range than its kind's
OF_A_ROLE: dict[str, dict[str, Band]] = {
    "bulk": {"capacitance": (4.7e-6, 4.7e-3), "esr": (10e-3, 20.0)},
    "x_capacitor": {"capacitance": (10e-9, 10e-6)},
    "snubber_capacitor": {"capacitance": (22e-12, 100e-9)},
    "snubber_resistor": {"resistance": (0.47, 2.2e3)},
    "clamp_capacitor": {"capacitance": (220e-12, 100e-9)},
    "clamp_resistor": {"resistance": (1e3, 1e6)},
    "resonant_capacitor": {"capacitance": (1e-9, 2.2e-6), "esr": (0.3e-3, 0.3)},
    "drain_capacitor": {"capacitance": (10e-12, 4.7e-9)},
    "sense_resistor": {"resistance": (1e-3, 10.0)},
    "boost_choke": {"inductance": (20e-6, 5e-3)},
    "output_choke": {"inductance": (80e-9, 3e-3)},
    "post_choke": {"inductance": (80e-9, 100e-6)},
}

# values of a stage itself
OF_A_STAGE: dict[str, Band] = {
    "converter_efficiency": (0.6, 0.985),
    "switching_frequency": (20e3, 3e6),
    "lowest_frequency": (20e3, 1e6),
    "highest_frequency": (40e3, 4e6),
    "dead_time": (20e-9, 2e-6),
    "dead_time_rising": (2e-9, 300e-9),
    "dead_time_falling": (2e-9, 300e-9),
    "rectifier_delay": (5e-9, 600e-9),
    "rectifier_lead": (-1e-6, 600e-9),
    "rectifier_least_on": (30e-9, 3e-6),
    "turn_on_delay": (20e-9, 5e-6),
    "loop_inductance": (0.5e-9, 250e-9),
    "loop_quality": (0.5, 40.0),
    "leakage_quality": (0.5, 60.0),
    "switching_time": (1e-9, 250e-9),
    "feed_resistance": (0.2e-3, 3.0),
    "feed_inductance": (5e-9, 3e-3),
    "copper_resistance": (20e-6, 60e-3),
    "copper_inductance": (1e-9, 2e-6),
    "largest_duty": (0.3, 1.0),
}
OF_THE_LINE: dict[str, Band] = {"line.resistance": (0.02, 5.0), "line.inductance": (5e-6, 5e-3)}
OF_A_PROMISE: dict[str, tuple[str, Band]] = {
    "holdup_time": ("s", (2e-3, 0.3)),
    "inrush_peak": ("A", (3.0, 300.0)),
}  # what labels and data sheets say, and what is measured

# ratings as parts are sold: kind -> field -> values
SOLD: dict[str, dict[str, tuple[float, ...]]] = {
    "electrolytic_capacitor": {
        "voltage_rating": (4, 6.3, 7.5, 10, 16, 20, 25, 35, 40, 50, 63, 80, 100, 160, 180, 200, 220, 250, 315, 350, 385,
                           400, 415, 420, 450, 475, 500, 525, 550, 600),
        "temperature_rating": (85, 95, 105, 125, 130, 135, 150),
    },
    "polymer_capacitor": {
        "voltage_rating": (2, 2.5, 4, 6.3, 7.5, 8, 10, 12.5, 16, 20, 25, 35, 50, 63, 80, 100),
        "temperature_rating": (105, 125, 135, 150),
    },
    "ceramic_capacitor": {
        "voltage_rating": (2.5, 4, 6.3, 10, 16, 25, 35, 50, 63, 75, 80, 100, 200, 250, 300, 400, 440, 450, 500, 630,
                           760,
                           1000, 1500, 1600, 2000, 3000, 4000, 5000, 6000, 8000),
    },
    "film_capacitor": {
        "voltage_rating": (50, 63, 100, 160, 200, 220, 250, 275, 280, 300, 305, 310, 330, 350, 400, 440, 450, 480, 500,
                           520, 560, 600, 630, 700, 760, 800, 850, 900, 1000, 1100, 1200, 1250, 1500, 1600, 2000),
    },
    "mosfet": {
        "drain_source_rating": (12, 20, 25, 30, 40, 55, 60, 75, 80, 85, 100, 120, 135, 150, 170, 200, 250, 300, 400,
                                450,
                                500, 520, 525, 550, 560, 600, 620, 650, 680, 700, 720, 750, 800, 850, 900, 950, 1000,
                                1050, 1200, 1500, 1700),
    },
    "diode": {
        "reverse_voltage_rating": (15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 75, 80, 90, 100, 120, 150, 170, 180, 200,
                                   250,
                                   300, 350, 400, 500, 600, 650, 700, 800, 900, 1000, 1200, 1300, 1500, 1600, 1700),
    },
    "bridge_rectifier": {
        "reverse_voltage_rating": (50, 100, 200, 400, 600, 700, 800, 900, 1000, 1200, 1400, 1600),
        "average_current_rating": (0.5, 0.8, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 35, 40, 45, 50, 60),
    },
    "fuse": {  # IEC 60127-2 and the R10 series, from memory
        "current_rating": (0.1, 0.125, 0.16, 0.2, 0.25, 0.315, 0.4, 0.5, 0.63, 0.8, 1, 1.25, 1.6, 2, 2.5, 3, 3.15,
                           3.5, 4, 5,
                           6, 6.3, 7, 8, 10, 12, 12.5, 15, 16, 20, 25, 30, 32, 40, 50, 63),
        "voltage_rating": (32, 60, 63, 72, 86, 125, 250, 300, 305, 350, 400, 420, 440, 450, 500, 600, 1000),
    },
    "varistor": {
        "voltage_rating": (11, 14, 17, 20, 25, 30, 35, 40, 50, 60, 75, 95, 115, 130, 140, 150, 175, 180, 195, 210,
                           230, 250,
                           275, 300, 320, 350, 385, 420, 440, 460, 480, 510, 550, 575, 625, 660, 680),
    },
}  # fmt: skip

# ends of a label's ranges, mains and its tolerance included
LABEL_VOLTAGES = (85, 90, 95, 99, 100, 105, 108, 110, 115, 120, 125, 127, 130, 132, 135, 140, 170, 176, 180, 185, 187,
                  190,
                  195, 198, 200, 207, 208, 210, 215, 220, 230, 240, 250, 253, 254, 260, 264, 265, 270, 276, 277, 280,
                  300,
                  305, 342, 347, 360, 380, 400, 415, 420, 440, 460, 480, 500, 528)  # fmt: skip
LINE_FREQUENCIES: tuple[Band, ...] = ((44.5, 51.5), (56.5, 57.5), (58.5, 66.5), (360.0, 440.0), (16.0, 17.0))
RAIL_VOLTAGES = (0.8, 0.85, 0.9, 1, 1.05, 1.1, 1.2, 1.25, 1.35, 1.5, 1.8, 2, 2.5, 3, 3.3, 3.4, 4, 4.2, 4.5, 5, 5.1,
                 5.2, 6, 6.5,
                 7, 7.2, 7.5, 8, 8.4, 9, 10, 11, 12, 12.2, 12.6, 13, 13.5, 13.8, 14, 14.4, 14.5, 15, 16, 16.8, 17, 18,
                 18.5,
                 19, 19.5, 20, 21, 22, 22.5, 24, 25, 25.2, 26, 27, 27.6, 28, 29, 29.4, 30, 31, 32, 33, 34, 35, 36, 38,
                 40, 42,
                 44, 45, 46, 48, 50, 52, 53.5, 54, 54.6, 55, 56, 57, 57.6, 58, 60, 63, 65, 70, 72, 75, 80, 85, 90, 95,
                 96, 100,
                 110, 120, 125, 130, 150, 160, 170, 180, 200, 220, 240, 250, 300, 350, 380, 390, 400)  # fmt: skip

# role -> what its voltage rating may be, over what it sees: below the first it is exceeded, above the second far too
# much
HEADROOM: dict[str, Band] = {
    "fuse": (1.0, 3.5),
    "varistor": (1.0, 2.0),
    "across_the_line": (1.0, 2.4),
    "rectifier": (1.15, 6.0),
    "bypass_diode": (1.1, 3.5),
    "bulk": (1.0, 2.0),
    "boost_switch": (1.1, 3.5),
    "boost_diode": (1.1, 3.5),
    "input_bank": (1.0, 4.0),
    "output_bank": (1.0, 4.0),
    "second_bank": (1.0, 4.0),
    "high_side": (1.1, 5.0),
    "low_side": (1.1, 5.0),
    "freewheel_diode": (1.15, 6.0),
    "forward_diode": (1.15, 6.0),
    "bridge_switch": (1.1, 3.5),
    "high_switch": (1.1, 3.0),
    "low_switch": (1.1, 3.0),
    "high_clamp": (1.1, 4.0),
    "low_clamp": (1.1, 4.0),
    "primary_switch": (1.1, 2.6),
    "clamp_diode": (1.0, 4.0),
    "clamp_capacitor": (1.1, 12.0),
    "resonant_capacitor": (1.1, 15.0),
    "snubber_capacitor": (1.2, 40.0),
}
# kind -> field of the rated voltage, and of the rated current with what it is held against
VOLTAGE_FIELDS = {
    "mosfet": "drain_source_rating",
    "diode": "reverse_voltage_rating",
    "bridge_rectifier": "reverse_voltage_rating",
}
CURRENT_FIELDS: dict[str, tuple[str, str, Band]] = {
    "mosfet": ("drain_current_rating", "rms", (1.2, 40.0)),
    "diode": ("average_current_rating", "mean", (1.0, 15.0)),
    "bridge_rectifier": ("average_current_rating", "mean", (1.0, 12.0)),
    "fuse": ("current_rating", "rms", (1.0, 4.0)),
    "relay": ("current_rating", "rms", (1.0, 8.0)),
    "thermistor": ("current_rating", "rms", (0.8, 6.0)),
    "choke": ("current_rating", "rms", (1.0, 8.0)),
    "common_mode_choke": ("current_rating", "rms", (1.0, 6.0)),
}
TOLERANCES: dict[str, tuple[str, Band, str]] = {
    "electrolytic_capacitor": ("capacitance", (0.095, 0.55), "±20 %"),
    "polymer_capacitor": ("capacitance", (0.095, 0.35), "±20 %"),
    "thermistor": ("resistance_25", (0.09, 0.35), "±20 %"),
    "varistor": ("voltage_at_1ma", (0.08, 0.2), "±10 %"),
    "resistor": ("resistance", (0.0005, 0.055), "±5 or ±1 %"),
    "shunt": ("resistance", (0.0005, 0.055), "±1 %"),
    "x_capacitor": ("capacitance", (0.08, 0.21), "±10 or ±20 %"),
    "resonant_capacitor": ("capacitance", (0.005, 0.055), "±5 % or closer"),
}  # kind or role -> marked field, usual relative tolerance, what is sold
# farad a watt of parts whose size goes with the supply's power
A_WATT: dict[str, tuple[str, Band]] = {
    "across_the_line": ("X capacitors", (0.3e-9, 40e-9)),
    "behind_the_bridge": ("film capacitors behind the bridge", (0.4e-9, 12e-9)),
}
SINGLE = ("fuse", "varistor", "relay", "common_mode_choke", "transformer", "winding", "thermistor")  # never in parallel
# kind -> fields of a resistance that carries the piece's RMS current, and how much of the stage's power it may lose
LOSSES: dict[str, tuple[tuple[str, ...], Band]] = {
    "mosfet": (("on_resistance",), (4e-5, 0.04)),
    "choke": (("winding_resistance",), (4e-5, 0.03)),
    "transformer": (("primary_resistance",), (4e-5, 0.04)),
    "common_mode_choke": (("winding_resistance",), (4e-5, 0.02)),
    "fuse": (("cold_resistance",), (2e-5, 0.01)),
}
