"""The plan as plain data for a JSON file, trade units in the keys."""

from typing import Any

from tapecalc.calc.units import from_si
from tapecalc.plan import DelayPlan, EchoPlan, LoopPlan, TempoPlan
from tapecalc.report.plan_text import CAUTIONS


def plan_data(plan: EchoPlan) -> dict[str, Any]:
    """Give all figures of a plan as dicts, lists, numbers and text."""
    return {
        "machine": plan.machine.model_dump(exclude_none=True),
        "bpm": plan.bpm,
        "wanted_repeats": plan.wanted_repeats,
        "runs_away": plan.runs_away,
        "delays": [
            {**_delay(delay), "liked_tempos": [{"note": note.name, "bpm": bpm} for note, bpm in liked]}
            for delay, liked in zip(plan.delays, plan.liked_tempos, strict=True)
        ],
        "tempo_fits": [_tempo_fit(planned) for planned in plan.tempos],
        "loops": [_loop(loop) for loop in plan.loops],
        "levels": [
            {"node": node.name}
            | {key: getattr(node, key) for key in ("dbu", "volts", "headroom_db", "noise_dbu")}
            for node in plan.levels.nodes
        ],
        "clips_first": plan.levels.first_to_clip.name,
        "wobble": [
            {
                "speed_ips": from_si(row.speed, "ips"),
                "part": row.part,
                "turns_hz": row.rate,
                "pitch_deviation_percent": 100 * row.deviation,
            }
            for row in plan.wobble
        ],
        "assumed": [{"key": key, "value": value, "what": what} for key, value, what in plan.machine.assumed],
        "cautions": list(CAUTIONS),
    }


def _delay(planned: DelayPlan) -> dict[str, Any]:
    return {
        "speed_ips": from_si(planned.speed, "ips"),
        "head": planned.head,
        "spacing_mm": from_si(planned.spacing, "mm"),
        "delay_ms": from_si(planned.delay, "ms"),
        "uncertainty_ms": from_si(planned.uncertainty, "ms"),
        "measured": planned.measured,
        "heard_as": planned.zone,
    }


def _tempo_fit(planned: TempoPlan) -> dict[str, Any]:
    fit, changes = planned.fit, planned.changes
    sleeve = changes.sleeve_diameter
    return {
        "speed_ips": from_si(planned.delay.speed, "ips"),
        "head": planned.delay.head,
        "note": fit.note.name,
        "wanted_ms": from_si(fit.wanted_delay, "ms"),
        "error_ms": from_si(fit.error, "ms"),
        "error_percent": fit.error_percent,
        "error_cents": fit.error_cents,
        "threshold_ms": from_si(fit.threshold, "ms"),
        "audible": fit.audible,
        "exact": {
            "spacing_mm": from_si(changes.spacing, "mm"),
            "speed_change_percent": changes.speed_change_percent.value,
            "sleeve_mm": None if sleeve is None else from_si(sleeve.value, "mm"),
            "bpm": changes.bpm.value,
        },
    }


def _loop(loop: LoopPlan) -> dict[str, Any]:
    return {
        "speed_ips": from_si(loop.speed, "ips"),
        "loop_gain_db": loop.gain_db,
        "stable": loop.stability.stable,
        "margin_db": loop.stability.margin_db,
        "starts_at_hz": loop.stability.frequency,
        "repeats": loop.repeats,
        "fades_in_s": loop.fades_in,
        "return_send_db_for_wanted_repeats": loop.return_send_db,
        "tone": [{"repeat": row.repeat, "low_hz": row.low, "high_hz": row.high} for row in loop.tone],
        "snr_db": loop.snr_db,
        "growth_db_per_s": loop.growth_db_per_s,
        "settles_dbu": loop.settles_dbu,
    }
