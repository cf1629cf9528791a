"""The formula behind each metric's hand calculation, as a reader sees it typeset: one table, no calculation.

A hand calculation is more than one line: it solves these equations with the drops, edges and strays that its own module
names, often step by step or as a sum over harmonics. What stands here is the equation it solves and how the metric is
read off. A metric that two kinds of stage, or two methods, find differently has a formula for each. Formulas are TeX of
a small subset: fractions, roots, sums, indices.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Formula:
    """One formula, and which rows it is of.

    Parameters
    ----------
    tex : the formula
    symbols : keys of ``SYMBOLS`` with spaces between, in the order they are explained
    kinds : of stages; none: of every one
    source : what the row's own source must contain
    solves : the equation solved before the formula is read off; empty where the formula is all
    """

    tex: str
    symbols: str
    kinds: tuple[str, ...] = ()
    source: str = ""
    solves: str = ""


SYMBOLS: Mapping[str, str] = {
    "i": "current at an instant",
    "v": "voltage at an instant",
    r"\hat{\imath}": "its peak",
    r"\hat{v}": "crest of the line",
    r"\varphi": "switch-on angle; the worst one counts",
    r"\omega": "2 pi times the frequency: of the line, of the switching or of the tank",
    "L": "inductance of the path or choke",
    "R": "resistance of the path, thermistor apart",
    "R_T": "the thermistor's resistance at its temperature; none without one",
    "R_{25}": "the thermistor's resistance at 25 degC",
    "B": "the thermistor's B-value",
    "T_{NTC}": "the thermistor's temperature",
    "T_0": "temperature it begins at",
    r"\delta": "its dissipation constant",
    r"\tau": "its thermal time constant",
    "V_F": "threshold of all diodes in the path",
    "v_C": "voltage across the bulk",
    "C": "capacitance",
    "N": "devices, phases or branches side by side; conductions in a period",
    "s": "cans in series",
    "R_C": "equivalent series resistance",
    "P": "power drawn from the bulk: output power over efficiency",
    "V": "set-point of the bus",
    "V_0": "voltage the hold-up begins at: the trough, with the drop across the ESR",
    "V_1": "end voltage, with the drop across the ESR",
    "T": "period",
    "f": "frequency",
    "D": "duty: on-time over period",
    "V_{in}": "input of the stage",
    "V_{out}": "output of the stage",
    "V_{on}": "drops while the switch is on",
    "V_{off}": "drops while it is off",
    "V_b": "bus",
    "n": "ratio, primary to secondary",
    "L_p": "the primary's inductance",
    "L_m": "magnetising inductance",
    "L_k": "leakage inductance",
    "C_r": "capacitance of the tank",
    "C_d": "capacitance at the drain",
    r"\Delta{i}": "swing of the current, peak to peak",
    r"\Delta{v}": "swing of the voltage, peak to peak",
    "I_k": "k-th harmonic of the current fed in",
    "Z": "impedance of all branches side by side",
    "Z_m": "transfer impedance of the network to the node",
    "H": "what the probe with its capacitors passes",
    "Y": "admittance of the branch",
    "i_0": "current commutated",
    "Z_0": "impedance of the ring: root of L over C",
    "Q": "quality of the ring",
    "C_{oss}": "output capacitance that is emptied",
    r"\tau_g": "switching time of the gate's law",
    "m": "pieces in parallel",
    "I_{out}": "current of the output",
    "V_c": "voltage of the clamp's capacitor",
    "V_r": "output reflected to the primary",
    "R_c": "resistor of the clamp",
    "D_{max}": "largest duty",
    "t_r": "time the core's reset takes",
    r"\lambda": "flux linkage",
    "t_d": "dead time",
    "t_1": "turn-on delay",
    "t_2": "turn-off lead",
    "t_3": "what the turn-off is late behind the current's zero; a ring of the leakage counts by its swing",
    "V_B": "drop of the body diode",
    "R_j": "resistance of branch j, its return with it",
    "I_j": "current of branch j",
    "x": "state of the tank: its currents and voltages",
    "i_m": "magnetising current",
}

_LOOP = (
    r"\hat{v}\sin(\omega t+\varphi)=L\frac{di}{dt}+(R+R_T)\,i+V_F+v_C,"
    r"\quad R_T=R_{25}\,e^{B\left(\frac{1}{T_{NTC}}-\frac{1}{298\,\mathrm{K}}\right)}"
)
_LOOP_SYMBOLS = r"\hat{v} \omega \varphi L i R R_T V_F v_C R_{25} B T_{NTC}"
_BULK = ("rectifier_bulk",)
_BUCK = ("buck",)
_BOOST = ("boost_pfc",)
_FLYBACK = ("flyback",)
_FORWARD = ("two_switch_forward",)
_LLC = ("llc",)
_NETWORK = ("output_network",)
_TANK = r"x\!\left(\tfrac{T}{2}\right)=-x(0)"
_HARMONICS = r"\sum_{k} Z(k\omega)\,I_k\,e^{jk\omega t}"
_SINE = "sine in phase"


def _read(tex: str, symbols: str, kinds: tuple[str, ...] = (), source: str = "") -> tuple[Formula, ...]:
    return (Formula(tex, symbols, kinds, source),)


def _switch_on(read: str, symbols: str = "") -> tuple[Formula, ...]:
    """Of a metric read off the course after switch-on."""
    return (Formula(read, f"{_LOOP_SYMBOLS} {symbols}", _BULK, solves=_LOOP),)


_PEAK = _switch_on(r"\hat{\imath}=\max_{t,\varphi}\,i", r"\hat{\imath}")
_DEVICE_PEAK = _switch_on(r"\hat{\imath}=\frac{1}{N}\max_{t,\varphi}\,i", r"\hat{\imath} N")
_SQUARED = _switch_on(r"I^2t=\max_{\varphi}\int i^2\,dt")
_CONDUCTING = r"L\frac{di}{dt}+R\,i=\hat{v}\left|\sin\omega t\right|-V_F-v_C"
_CONDUCTING_SYMBOLS = r"L i R \hat{v} \omega V_F v_C"


def _charging(read: str, symbols: str = "", kinds: tuple[str, ...] = _BULK) -> tuple[Formula, ...]:
    """Of a metric read off a settled half period of the line."""
    return (Formula(read, f"{_CONDUCTING_SYMBOLS} {symbols}", kinds, solves=_CONDUCTING),)


_RMS = r"I=\sqrt{\frac{1}{T}\int_0^T i^2\,dt}"
_CLOSING = (Formula(r"\hat{\imath}=\frac{\hat{v}-V_F-v_C}{R+R_C}", r"\hat{v} V_F v_C R R_C", _BULK),)
_STEP = _read(
    r"\hat{\imath}=\max_t\,\frac{\hat{v}-v_C}{\omega L}\,e^{-Rt/2L}\sin\omega t,"
    r"\quad \omega^2=\frac{1}{LC}-\frac{R^2}{4L^2}",
    r"\hat{v} v_C \omega L R C",
    _BULK,
)
_VOLT_SECONDS = (
    Formula(r"D\,(V_{in}-V_{on}-V_{out})=(1-D)\,(V_{out}+V_{off})", "D V_{in} V_{out} V_{on} V_{off}", _BUCK),
    Formula(r"D\,(V_{in}-V_{on})=(1-D)\,(V_{out}+V_{off}-V_{in})", "D V_{in} V_{out} V_{on} V_{off}", _BOOST),
    Formula(r"D\,(V_b-V_{on})=(1-D)\,n\,(V_{out}+V_{off})", "D V_b V_{on} n V_{out} V_{off}", _FLYBACK),
    Formula(r"V_{out}+V_{off}=D\,\frac{V_b-V_{on}}{n}", "D V_b V_{on} n V_{out} V_{off}", _FORWARD),
)
_PIECE_MEAN = r"\bar{\imath}=\frac{1}{m}\,\frac{1}{T}\int_{on} i\,dt"
_PIECE_RMS = r"I=\frac{1}{m}\sqrt{\frac{1}{T}\int_{on} i^2\,dt}"
_OVERSHOOT = r"\hat{v}=V_{off}+i_0\,Z_0\,e^{-\pi/2Q},\quad Z_0=\sqrt{\frac{L}{C}}"
_CHOKE_SWING = (
    Formula(r"\Delta{i}=\frac{(V_{in}-V_{on}-V_{out})\,D\,T}{L}", r"\Delta{i} V_{in} V_{on} V_{out} D T L", _BUCK),
    Formula(r"\Delta{i}=\frac{(V_{in}-V_{on})\,D\,T}{L}", r"\Delta{i} V_{in} V_{on} D T L", _BOOST),
    Formula(r"\Delta{i}=\frac{(V_{out}+V_{off})\,(1-D)\,T}{L}", r"\Delta{i} V_{out} V_{off} D T L", _FORWARD),
    Formula(
        r"\Delta{i}=\operatorname{swing}\sum_{k} Y(k\omega)\,Z(k\omega)\,I_k\,e^{jk\omega t}",
        r"\Delta{i} Y \omega Z I_k",
        _FLYBACK,
    ),
)
_CHOKE_PEAK = (
    Formula(r"\hat{\imath}=\bar{\imath}+\frac{\Delta{i}}{2}", r"\hat{\imath} \Delta{i}", (*_BUCK, *_BOOST, *_FORWARD)),
    Formula(r"\hat{\imath}=\max_t\sum_{k} Y(k\omega)\,Z(k\omega)\,I_k\,e^{jk\omega t}", r"\hat{\imath} Y \omega Z I_k"),
)
_CHOKE_RMS = (
    Formula(r"I=\sqrt{\bar{\imath}^2+\frac{\Delta{i}^2}{12}}", r"\Delta{i}", (*_BUCK, *_BOOST, *_FORWARD)),
    Formula(r"I^2=\sum_{k}\tfrac{1}{2}\left|Y(k\omega)\,Z(k\omega)\,I_k\right|^2+\bar{\imath}^2", r"Y \omega Z I_k"),
)
_LOWEST = (
    Formula(r"D(V_b)=D_{max}", "D V_b D_{max}", (*_FLYBACK, *_FORWARD)),
    Formula(r"\bar{\imath}(V_b)=I_{out}\ \text{at the lowest}\ f", r"x T f V_b I_{out}", _LLC, solves=_TANK),
)
_MAGNETISING_PEAK = (
    Formula(r"\hat{\imath}=i(0)+\frac{(V_b-V_{on})\,D\,T}{L_p}", "V_b V_{on} D T L_p", _FLYBACK),
    Formula(r"\hat{\imath}=\frac{(V_b-V_{on})\,D\,T}{L_m}", "V_b V_{on} D T L_m", _FORWARD),
    Formula(r"\hat{\imath}=\max_t i_m", "x T i_m", _LLC, solves=_TANK),
)
_FLUX = (
    Formula(r"\Delta\lambda=L_p\,\Delta{i}=(V_b-V_{on})\,D\,T", r"\lambda L_p \Delta{i} V_b V_{on} D T", _FLYBACK),
    Formula(r"\Delta\lambda=L_m\,\Delta{i}=(V_b-V_{on})\,D\,T", r"\lambda L_m \Delta{i} V_b V_{on} D T", _FORWARD),
    Formula(r"\Delta\lambda=2\,L_m\max_t i_m", r"\lambda L_m i_m", _LLC),
)
_BALANCED_CLAMP = r"\frac{V_c^2}{R_c}=\tfrac{1}{2}L_k\,i_0^2\,f\,\frac{V_c}{V_c-V_r}"
_CLAMP_SYMBOLS = "V_c R_c L_k i_0 f V_r"
_FREQUENCY = (
    Formula(
        r"\frac{2}{T}\int_0^{T/2} n\,(i-i_m)\,dt=I_{out},\quad f=\frac{1}{T}",
        r"x T n i i_m I_{out} f",
        _LLC,
        solves=_TANK,
    ),
    Formula(
        r"\frac{1}{f}=L\,\Delta{i}\left(\frac{1}{V_{in}}+\frac{1}{V_{out}-V_{in}}\right)",
        r"f L \Delta{i} V_{in} V_{out}",
        _BOOST,
    ),
    Formula(
        r"\frac{1}{f}=L_p\,\hat{\imath}\left(\frac{1}{V_b}+\frac{1}{V_r}\right)+\pi\sqrt{L_m C_d}",
        r"f L_p \hat{\imath} V_b V_r L_m C_d",
        _FLYBACK,
    ),
)
_BLOCKED = (
    Formula(r"V_{off}=V_b", "V_b", _LLC),
    Formula(r"V_{off}=V_b+V_r,\quad V_r=n\,(V_{out}+V_F)", "V_b V_r n V_{out} V_F", _FLYBACK),
    Formula(r"V_{off}=V_b\ \text{(clamped)}", "V_b", _FORWARD),
    Formula(r"V_{off}=V_{in}+V_{on}\ \text{or}\ V_{out}+V_{off}", "V_{in} V_{out} V_{on} V_{off}", (*_BUCK, *_BOOST)),
)
_REVERSE = (
    Formula(r"V_{off}=V_{out}+\frac{V_b-V_{on}}{n}", "V_{out} V_b V_{on} n", _FLYBACK, "volt-second"),
    Formula(_BALANCED_CLAMP, _CLAMP_SYMBOLS, _FLYBACK),
    Formula(r"V_{off}=\frac{V_b-V_{on}}{n}-V_F", "V_b V_{on} n V_F", _FORWARD),
    Formula(r"V_{off}=2\,V_{out}+V_F\ \text{(centre tap)},\quad V_{out}+V_F\ \text{(bridge)}", "V_{out} V_F", _LLC),
    Formula(r"V_{off}=V_{out}-V_{on}\ \text{or}\ V_{in}-V_{on}", "V_{out} V_{in} V_{on}", (*_BUCK, *_BOOST)),
)
_SWITCH_PEAK = (
    Formula(r"\hat{v}=V_b", "V_b", _LLC),
    Formula(r"\hat{v}=V_b+V_c+V_F+i_0\sqrt{\frac{L}{C_d}}\,e^{-\pi/2Q}", "V_b V_c V_F i_0 L C_d Q", _FLYBACK),
    Formula(_OVERSHOOT, "V_{off} i_0 Z_0 Q L C"),
)
_DIODE_PEAK = (
    Formula(_OVERSHOOT, "V_{off} i_0 Z_0 Q L C", (*_BUCK, *_BOOST)),
    Formula(r"\hat{v}=V_{off}+(V_{off}-V_F)\,e^{-\pi/2Q}", "V_{off} V_F Q"),
)
_CURRENT_PEAK = (
    Formula(r"\hat{\imath}=\frac{1}{m}\max_t i", "x T m i", _LLC, solves=_TANK),
    Formula(r"\hat{\imath}=\frac{C_{oss}\,V_{off}}{e\,\tau_g}+i_0", r"C_{oss} V_{off} \tau_g i_0", _FORWARD),
    Formula(
        r"\hat{\imath}=\frac{1}{m}\max_t i,\quad \text{edges: } L\frac{di}{dt}=V_{off}-v,\ C\frac{dv}{dt}=i-i_0",
        "m i L V_{off} v C i_0",
    ),
)
_NETWORK_WAVE = r"\sum_{k} Y(k\omega)\,Z_m(k\omega)\,I_k\,e^{jk\omega t}"

FORMULAS: Mapping[str, tuple[Formula, ...]] = {
    "inrush_peak": _PEAK,
    "hot_restart_peak": _PEAK,
    "held_relay_peak": _PEAK,
    "held_relay_contact_peak": _PEAK,
    "rectifier_surge_peak": _DEVICE_PEAK,
    "hot_restart_surge_peak": _DEVICE_PEAK,
    "held_relay_surge_peak": _DEVICE_PEAK,
    "inrush_i2t": _SQUARED,
    "hot_restart_i2t": _SQUARED,
    "held_relay_i2t": _SQUARED,
    "rectifier_surge_i2t": _switch_on(r"I^2t=\max_{\varphi}\frac{1}{N^2}\int i^2\,dt", "N"),
    "diode_reverse_peak": _switch_on(r"\hat{v}_R=\max_t\left|\hat{v}\sin\omega t\right|-V_F"),
    "bulk_voltage_peak": _switch_on(r"\hat{v}_C=\frac{1}{s}\max_t v_C", "s"),
    "thermistor_energy": _switch_on(r"E=\delta\,\tau\,\left(\max_t T_{NTC}-T_0\right)", r"\delta \tau T_0"),
    "thermistor_temperature": _switch_on(r"\delta\,\tau\,\frac{dT_{NTC}}{dt}=R_T\,i^2", r"\delta \tau"),
    "relay_closing_peak": _CLOSING,
    "relay_closing_contact": _CLOSING,
    "relay_late_peak": _STEP,
    "relay_late_contact": _STEP,
    "x_capacitor_spike": _STEP,
    "stuck_relay_current": _charging(_RMS, "T"),
    "bulk_ripple": (
        Formula(
            r"\Delta{v}=\frac{P}{\omega\,C\,V}\sqrt{1+(2\omega C R_C)^2}", r"\Delta{v} P \omega C V R_C", _BULK, _SINE
        ),
        *_charging(r"\Delta{v}=\max_t v_C-\min_t v_C", r"\Delta{v}"),
    ),
    "bulk_voltage_trough": (
        Formula(
            r"v_{min}=V-\left(V-\sqrt{V^2-\frac{P}{\omega C}}\right)\sqrt{1+(2\omega C R_C)^2}",
            r"V P \omega C R_C",
            _BULK,
            _SINE,
        ),
        *_charging(r"v_{min}=\min_t v_C"),
    ),
    "bulk_can_current_rms": (
        Formula(r"I_C=\frac{P}{\sqrt{2}\,V}\,\frac{C_{can}}{C}", "P V C", _BULK, _SINE),
        *_charging(r"I_C=\frac{C_{can}}{C}\sqrt{\frac{1}{T}\int_0^T (i-P/v_C)^2\,dt}", "C T P"),
    ),
    "rectifier_current_average": _charging(r"\bar{\imath}=\frac{1}{N\,T}\int_0^T i\,dt", "N T"),
    "rectifier_current_rms": _charging(r"I=\frac{1}{N}\sqrt{\frac{1}{T}\int_0^T i^2\,dt}", "N T"),
    "rectifier_current_peak": _charging(r"\hat{\imath}=\frac{1}{N}\max_t i", "N"),
    "thermistor_current_rms": _charging(_RMS, "T"),
    "line_current_rms": _charging(_RMS, "T"),
    "holdup_time": _read(
        r"t=\frac{C\left(V_0^2-V_1^2\right)}{2\,\left(P+R_C\,\bar{\imath}^2\right)}", "C V_0 V_1 P R_C", _BULK
    ),
    "duty_cycle": _VOLT_SECONDS,
    "switching_frequency": _FREQUENCY,
    "output_ripple": (
        Formula(
            r"\Delta{v}=\operatorname{swing}\sum_{k} Z_m(k\omega)\,I_k\,e^{jk\omega t}",
            r"\Delta{v} Z_m \omega I_k",
            _NETWORK,
        ),
        Formula(rf"\Delta{{v}}=\operatorname{{swing}}{_HARMONICS}", r"\Delta{v} Z \omega I_k"),
    ),
    "output_ripple_probe": (
        Formula(
            r"\Delta{v}=\operatorname{swing}\sum_{k} H(k\omega)\,Z(k\omega)\,I_k\,e^{jk\omega t}",
            r"\Delta{v} H Z \omega I_k",
        ),
    ),
    "input_ripple": (Formula(rf"\Delta{{v}}=\operatorname{{swing}}{_HARMONICS}", r"\Delta{v} Z \omega I_k"),),
    "input_ripple_current": (Formula(r"I=\sqrt{\frac{1}{T}\int_0^T (i-\bar{\imath})^2\,dt}", "T i"),),
    "switch_voltage_plateau": _BLOCKED,
    "switch_voltage_peak": _SWITCH_PEAK,
    "diode_voltage_plateau": _REVERSE,
    "diode_voltage_peak": _DIODE_PEAK,
    "switch_current_peak": _CURRENT_PEAK,
    "diode_current_peak": (_CURRENT_PEAK[0], _CURRENT_PEAK[2]),
    "switch_current_average": _read(_PIECE_MEAN, "m T i"),
    "diode_current_average": (
        Formula(r"\bar{\imath}=\frac{V_c}{R_c},\quad " + _BALANCED_CLAMP, _CLAMP_SYMBOLS, _FLYBACK, "energy balance"),
        *_read(_PIECE_MEAN, "m T i"),
    ),
    "switch_current_rms": _read(_PIECE_RMS, "m T i"),
    "diode_current_rms": _read(_PIECE_RMS, "m T i"),
    "choke_current_peak": _CHOKE_PEAK,
    "choke_current_rms": _CHOKE_RMS,
    "choke_ripple": _CHOKE_SWING,
    "saturation_current_needed": _CHOKE_PEAK,
    "capacitor_current_rms": (
        Formula(r"I_C=\frac{1}{m}\,\frac{C}{\sum C}\sqrt{\frac{1}{T}\int_0^T i^2\,dt}", "m C T i", _LLC, "ideal tank"),
        Formula(
            r"I_C=\frac{1}{m}\sqrt{\tfrac{1}{2}\sum_{k}\left|Y(k\omega)\,Z(k\omega)\,I_k\right|^2}", r"m Y \omega Z I_k"
        ),
    ),
    "ripple_cancellation": _read(
        r"K=\frac{\operatorname{swing}\sum_{p} i\left(t-\tfrac{p\,T}{N}\right)}{\Delta{i}}", r"i T N \Delta{i}"
    ),
    "primary_current_peak": (
        Formula(r"\hat{\imath}=\max_t i", "x T i", _LLC, solves=_TANK),
        Formula(r"\hat{\imath}=\max_t\left(i_m+\frac{i_{sec}}{n}\right)", "i_m n", _FORWARD),
    ),
    "primary_current_rms": (
        Formula(_RMS, "x T i", _LLC, solves=_TANK),
        Formula(_RMS, "T i", _FORWARD),
    ),
    "magnetising_current_peak": _MAGNETISING_PEAK,
    "flux_linkage_swing": _FLUX,
    "reset_margin": _read(
        r"\frac{T-D\,T-t_r}{T},\quad t_r=\frac{L_m\,\hat{\imath}}{V_b}", r"T D t_r L_m \hat{\imath} V_b"
    ),
    "clamp_voltage": _read(_BALANCED_CLAMP, _CLAMP_SYMBOLS),
    "clamp_dissipation": _read(r"P_c=\frac{V_c^2}{R_c},\quad " + _BALANCED_CLAMP, _CLAMP_SYMBOLS),
    "output_voltage": _read(
        r"V_{out}=\frac{V_r}{n}-V_F-R\,I_{out},\quad \tfrac{1}{T}\int i\,dt=I_{out}", "V_{out} V_r n V_F R I_{out} T i"
    ),
    "lowest_input_voltage": _LOWEST,
    "resonant_capacitor_voltage_peak": (
        Formula(r"\hat{v}=\frac{1}{s}\max_t\frac{1}{C_r}\int i\,dt", "x T s C_r i", _LLC, solves=_TANK),
    ),
    "soft_switching_margin": _read(r"K=\frac{\int_0^{t_d} i\,dt}{2\,C_{oss}\,V_b}", "i t_d C_{oss} V_b"),
    "body_diode_time": (
        Formula(r"t=t_1+\max(t_2,0)", "t_1 t_2", _LLC),
        Formula(r"t=\int_{\text{gate off},\,i>0} dt", "i", (*_BUCK, *_FLYBACK)),
    ),
    "body_diode_loss": _read(r"P_B=\frac{1}{T}\int_{t_1,\,t_2} V_B\,i\,dt", "T t_1 t_2 V_B i"),
    "reverse_current_share": (
        Formula(r"K=\frac{-1}{I_{out}\,T}\int_{i<0} i\,dt", "I_{out} T i", _LLC),
        Formula(r"K=\frac{V_{out}\,t_3}{L\,I_{out}}", "V_{out} t_3 L I_{out}", (*_BUCK, *_FLYBACK)),
    ),
    "conduction_intervals": _read(r"N=1\ \text{a period, but for rings}", "N"),
    "rectifier_branches": _read(r"N=1\ \text{operation}", "N"),
    "branch_current_average": _read(r"I_j=I_{out}\,\frac{1/R_j}{\sum_j 1/R_j}", "I_j I_{out} R_j"),
    "branch_current_share": _read(r"K=\frac{N\,I_j}{I_{out}}", "N I_j I_{out}"),
    "branch_current_rms": _read(
        rf"i_j={_NETWORK_WAVE},\quad I=\sqrt{{I_j^2+\tfrac{{1}}{{T}}\int i_j^2\,dt}}", r"Y Z_m \omega I_k I_j T"
    ),
    "voltage_drop": _read(r"\Delta V=\sum_j R_j\,I_j", "R_j I_j"),
    "shunt_dissipation": _read(r"P=R_j\,I^2", "R_j"),
    "conductor_dissipation": _read(r"P=R_j\,I^2", "R_j"),
    "connector_current": _read(r"I=\frac{I_j}{m}", "I_j m"),
}


def formula_of(metric: str, kind: str, source: str) -> Formula | None:
    """The formula of a row, the first of its metric that its kind of stage and source agree with; None without one."""
    for one in FORMULAS.get(metric, ()):
        if (not one.kinds or kind in one.kinds) and one.source in source:
            return one
    return None
