"""The plan as plain data for a JSON file, trade units in the keys; a plus/minus holds in 95 of 100 cases."""

from typing import Any

from tapecalc.calc.song_set import Choice, CommonChange, Setting
from tapecalc.calc.units import from_si
from tapecalc.plan import DelayPlan, EchoPlan, LoopPlan, TempoPlan
from tapecalc.report.plan_text import CAUTIONS, left_out


def plan_data(plan: EchoPlan) -> dict[str, Any]:
    """Give all figures of a plan as dicts, lists, numbers and text."""
    no_reel = None if plan.machine.loop_length is None else {"tape": {"length_m"}}
    return {
        "machine": plan.machine.model_dump(exclude_none=True, exclude=no_reel),
        "bpm": plan.bpm,
        "wanted_repeats": plan.wanted_repeats,
        "runs_away": plan.runs_away,
        "delays": [
            {**_delay(delay), "liked_tempos": [{"note": note.name, "bpm": bpm} for note, bpm in liked]}
            for delay, liked in zip(plan.delays, plan.liked_tempos, strict=True)
        ],
        "tempo_fits": [_tempo_fit(planned) for planned in plan.tempos],
        "all_heads": None if plan.together is None else _common_change(plan.together),
        "songs": [[_choice(choice) for choice in choices] for choices in plan.songs],
        "set": None if plan.set_change is None else _common_change(plan.set_change),
        "range": [
            {
                "song": row.song,
                "bpm": row.bpm,
                "note": row.note,
                "head": row.head,
                "speed_ips": from_si(row.speed, "ips"),
                "plus_minus_ips": from_si(row.plus_minus, "ips"),
            }
            for row in plan.range_speeds
        ],
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
                "turns_over_reel_hz": row.over_reel,
                "pitch_deviation_percent": 100 * row.deviation,
                "level_swing_db": row.shimmer_db,
            }
            for row in plan.wobble
        ],
        "assumed": [{"key": key, "value": value, "what": what} for key, value, what in plan.machine.assumed],
        "left_out": [row._asdict() for row in left_out(plan)],
        "cautions": list(CAUTIONS),
    }


def _delay(planned: DelayPlan) -> dict[str, Any]:
    return {
        "speed_ips": from_si(planned.speed, "ips"),
        "head": planned.head,
        "spacing_mm": from_si(planned.spacing, "mm"),
        "delay_ms": from_si(planned.delay, "ms"),
        "plus_minus_ms": from_si(planned.plus_minus, "ms"),
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
        "chance_heard": planned.chance,
        "chance_last_heard": planned.chance_of_last,
        "exact": {
            "spacing_mm": from_si(changes.spacing, "mm"),
            "spacing_plus_minus_mm": from_si(changes.spacing_change.plus_minus, "mm"),
            "speed_change_percent": changes.speed_change_percent.value,
            "speed_change_plus_minus_percent": changes.speed_change_percent.plus_minus,
            "sleeve_mm": None if sleeve is None else from_si(sleeve.value, "mm"),
            "sleeve_plus_minus_mm": None if sleeve is None else from_si(sleeve.plus_minus, "mm"),
            "bpm": changes.bpm.value,
            "bpm_plus_minus": changes.bpm.plus_minus,
        },
    }


def _common_change(change: CommonChange) -> dict[str, Any]:
    """One change for all: as it is, the best for the worst, the next best, the one with most in time."""
    settings = {"as_it_is": change.before, "best": change.best, "next_best": change.runner_up}
    settings["most_in_time"] = change.most_in_time
    return {name: None if setting is None else _setting(setting) for name, setting in settings.items()}


def _setting(setting: Setting) -> dict[str, Any]:
    return {
        "speed_change_percent": setting.speed_change_percent,
        "in_time": setting.in_time,
        "songs": [_choice(choice) for choice in setting.choices],
    }


def _choice(choice: Choice) -> dict[str, Any]:
    return {
        "song": choice.song.name,
        "bpm": choice.song.bpm,
        "head": choice.delay.head + 1,
        "speed": choice.delay.speed + 1,
        "note": choice.fit.note.name,
        "error_ms": from_si(choice.fit.error, "ms"),
        "chance_heard": choice.chance_heard,
    }


def _loop(loop: LoopPlan) -> dict[str, Any]:
    return {
        "speed_ips": from_si(loop.speed, "ips"),
        "loop_gain_db": loop.gain_db,
        "stable": loop.stability.stable,
        "runs_away_with_likely_bumps": loop.runs_away,
        "stable_and_margin_are_of": "the largest bumps" if loop.bumps else "the response as it is",
        "margin_db": loop.stability.margin_db,
        "starts_between_hz": loop.stability.band,
        "repeats": loop.repeats,
        "last_heard_after_s": loop.gone_in,
        "return_send_db_for_wanted_repeats": loop.return_send_db,
        "tone": [{"repeat": row.repeat, "low_hz": row.low, "high_hz": row.high} for row in loop.tone],
        "snr_db": loop.snr_db,
        "snr_of_first_a_weighted_db": loop.snr_a_db,
        "growth_db_per_s": loop.growth_db_per_s,
        "settles_between_dbu": loop.settles_dbu,
        "held_notes_pile_up_db": loop.piled_up_db,
    }
