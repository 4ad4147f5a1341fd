"""All kinds of limit as plain loops, reading by reading: an oracle that shares no code.

Takes limits as the mappings that a file holds, and returns changes as tuples. Slow on purpose.
"""

import math

__all__ = ["scores_of", "told_by_oracle"]

S = 1_000_000_000
CURVES = {
    "A": (0.14, 0.0, 0.02, None),
    "B": (13.5, 0.0, 1.0, None),
    "C": (80.0, 0.0, 2.0, None),
    "D": (0.0515, 0.114, 0.02, 4.85),
    "E": (19.61, 0.491, 2.0, 21.6),
    "F": (28.2, 0.1217, 2.0, 29.1),
}
SETPOINT = {"torque_Nm": "torque_setpoint_Nm", "position_rad": "position_setpoint_rad"}


def _inverse(limit, rows, hold):
    k, c, alpha, own = CURVES[limit["curve"]]
    tms, reset = limit.get("tms", 1.0), limit.get("reset", "instant")
    back = limit.get("reset_s") or own
    least, flat = limit.get("from_multiple", 1.0), limit.get("flat_above", 20.0)
    total, before = 0.0, None
    for t, row in rows:
        value = row[limit["channel"]]
        if math.isnan(value):
            continue
        m = abs(value) / limit["setting"]
        was_full = total >= 1 - 1e-9
        if before is not None:
            span = min(t - before[0], hold[limit["channel"]]) * 1e-9
            old = before[1]
            if old >= least * (1 - 1e-9):
                # Exactly at the setting it may last for ever.
                total += 0.0 if old <= 1 else span / (tms * (k / (min(old, flat) ** alpha - 1) + c))
            elif reset == "dependent" and old < 1:
                total -= span * (1 - old * old) / (tms * back)
            total = min(max(total, 0.0), 1.0)
        full = total >= 1 - 1e-9
        on = full and (m >= least * (1 - 1e-9) or not was_full)
        side = "on" if on else "off" if m <= limit.get("drop_off", 1.0) else "between"
        yield t, side, value, abs(value)
        if m < least * (1 - 1e-9) and (full or reset == "instant"):
            total = 0.0
        before = (t, m)


def _thermal(limit, rows, hold):
    heating = limit["heating_s"]
    cooling = limit.get("cooling_s") or heating
    high = limit.get("above_percent", 100) / 100
    low = limit.get("drop_off_percent", limit.get("above_percent", 100)) / 100
    level, before, ambient = 0.0, None, 40.0
    for t, row in rows:
        if limit.get("most_degC") and not math.isnan(row["temperature_ambient_degC"]):
            ambient = row["temperature_ambient_degC"]
        value = row[limit["channel"]]
        if math.isnan(value):
            continue
        if before is not None:
            then, size, factor = before
            span = min(t - then, hold[limit["channel"]]) * 1e-9
            tau = cooling if size < limit.get("rest_below", 0.05) else heating
            reached = factor * (size / limit.get("k", 1.05)) ** 2
            level = reached + (level - reached) * math.exp(-span / tau)
        side = "on" if level >= high else "off" if level <= low else "between"
        yield t, side, level, level
        factor = 1.0
        if limit.get("most_degC"):
            most = limit["most_degC"]
            factor = (most - 40) / max(most - ambient, 1.0)
        before = (t, abs(value) / limit["basic"], factor)


def _rate(limit, rows, hold):
    cell = round(limit["over_s"] * S / 32)
    low = limit.get("drop_off_per_min", limit["rise_per_min"])
    seen, last = [], None
    for t, row in rows:
        value = row[limit["channel"]]
        if math.isnan(value):
            continue
        if last is not None and t - last > max(hold[limit["channel"]], limit["over_s"] * S // 8):
            seen = []
        last = t
        if not seen or seen[-1][0] // cell != t // cell:
            seen.append((t, value))
        old = [one for one in seen if one[0] // cell <= t // cell - 32]
        if not old:
            continue
        then, start = old[-1]
        rate = (value - start) / ((t - then) / 60e9)
        side = "on" if rate >= limit["rise_per_min"] else "off" if rate <= low else "between"
        yield t, side, rate, rate


def _tracking(limit, rows, hold):
    names = (limit["channel"], SETPOINT[limit["channel"]])
    low = limit.get("drop_off", limit["above"])
    newest = {}
    for t, row in rows:
        told = [name for name in names if not math.isnan(row[name])]
        newest.update({name: (t, row[name]) for name in told})
        if not told:
            continue
        if any(name not in newest or t - newest[name][0] > hold[name] for name in names):
            continue
        error = newest[names[1]][1] - newest[names[0]][1]
        side = "on" if abs(error) >= limit["above"] else "off" if abs(error) <= low else "between"
        yield t, side, error, abs(error)


def _frozen(limit, rows, hold):
    within, tau = limit.get("within", 0.0), limit.get("smoothing_s")
    anchor, load, square = None, None, 0.0
    for t, row in rows:
        now = row[limit["load"]]
        if not math.isnan(now):
            if tau and load is not None:
                span = min(t - load[0], hold[limit["load"]]) * 1e-9
                square = load[1] ** 2 + (square - load[1] ** 2) * math.exp(-span / tau)
            load = (t, now)
        value = row[limit["channel"]]
        if math.isnan(value):
            continue
        known = load is not None and t - load[0] <= hold[limit["load"]]
        size = 0.0
        if known:
            size = math.sqrt(square) if tau else abs(load[1])
        loaded = size >= limit["load_above"]
        if anchor is None:
            side = "on" if loaded else "off"
            anchor = value if loaded else None
        elif abs(value - anchor) > within:
            side = "off"
            anchor = value if loaded else None
        else:
            side = "on" if loaded else "between"
        if known or side != "between":
            yield t, side, value, 0.0


def _level(limit, rows, hold):
    for t, row in rows:
        value = row[limit["channel"]]
        if math.isnan(value):
            continue
        size = abs(value) if limit["magnitude"] else value
        if "outside" in limit:
            low, high = limit["outside"]
            lower, upper = limit.get("inside", limit["outside"])
            on, off = size <= low or size >= high, lower <= size <= upper
            rank = max(low - size, size - high)
        elif "above" in limit:
            on, off, rank = size >= limit["above"], size <= limit["drop_off"], size
        else:
            on, off, rank = size <= limit["below"], size >= limit["drop_off"], -size
        yield t, "on" if on else "off" if off else "between", value, rank


def _touch(limit, rows, hold):
    most = limit.get("above") or {1: 65, 10: 55, 60: 51, 600: 48, 28800: 43}[limit["contact_s"]]
    for t, row in rows:
        value = row[limit.get("channel", "temperature_housing_degC")]
        if not math.isnan(value):
            low = limit.get("drop_off", most)
            yield t, "on" if value >= most else "off" if value <= low else "between", value, value


_OF = {
    "level": _level,
    "inverse-time": _inverse,
    "thermal": _thermal,
    "rate": _rate,
    "tracking": _tracking,
    "frozen": _frozen,
    "touch": _touch,
}


def scores_of(limit, rows, hold):
    """Yield (time, side, what is told, rank) of each reading; rows: (time, {channel: value})."""
    return _OF[limit["kind"]](limit, rows, hold)


def told_by_oracle(limit, rows, hold):
    """Return the changes of one limit: (time, kind, value, onset, peak)."""
    holds = hold[limit.get("channel", "temperature_housing_degC")]
    if limit["kind"] == "tracking":
        holds = min(holds, hold[SETPOINT[limit["channel"]]])
    on_ns = round(limit.get("on_delay_s", 0) * S)
    off_ns = round(limit.get("off_delay_s", 0) * S)
    active, since, last, found = False, None, None, []
    worst = None
    for t, side, told, rank in scores_of(limit, rows, hold):
        if last is not None and t - last > max(holds, (off_ns if active else on_ns) // 8):
            since = None
            if not active:
                worst = None
        last = t
        wanted = "off" if active else "on"
        if active and rank > worst[1]:
            worst = (told, rank)
        if side != wanted:
            since = None
            if not active:
                worst = None
            continue
        if since is None:
            since = t
        if not active and (worst is None or rank > worst[1]):
            worst = (told, rank)
        if t - since >= (off_ns if active else on_ns):
            active = not active
            found.append((t, "raised" if active else "returned", told, since, worst[0]))
            since = None
            if not active:
                worst = None
    return found
