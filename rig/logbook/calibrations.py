"""Calibrations in the logbook: kept for ever, never changed; the newest one that holds is in force."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

import sqlalchemy as sa

from rig.errors import LogbookError
from rig.logbook.changes import Kind, insert_unless_there, note_new
from rig.logbook.records import fingerprint, json_text
from rig.logbook.schema import calibration as table
from rig.logbook.store import Logbook
from rig.sensors.calibration import Calibration, CalibrationKind, Point, in_force


def keep_calibration(logbook: Logbook, calibration: Calibration) -> bool:
    """Store a calibration; whether it is new. The same one again changes nothing."""
    row = _row(calibration)
    id_ = fingerprint(json_text(row))
    with logbook._writing() as connection:
        is_new = insert_unless_there(connection, table, {"id": id_, **row})
        if is_new:
            note_new(connection, Kind.CALIBRATION, id_)
        return is_new


def calibrations(
    logbook: Logbook,
    *,
    device: str | None = None,
    channel: str | None = None,
    kind: CalibrationKind | None = None,
) -> tuple[Calibration, ...]:
    """The calibrations that match what is given, expired ones too, the newest first."""
    wanted = {"device": device, "channel": channel, "kind": kind}
    query = sa.select(table).where(*(table.c[name] == v for name, v in wanted.items() if v is not None))
    with logbook._reading() as connection:
        found = [_calibration(row) for row in connection.execute(query).mappings()]
    return tuple(sorted(found, key=lambda c: c.when, reverse=True))


def calibration_in_force(
    logbook: Logbook, device: str, channel: str, kind: CalibrationKind, day: date
) -> Calibration | None:
    """The newest calibration of a channel that was made by `day` and holds on it; None where there is none."""
    found = calibrations(logbook, device=device, channel=channel, kind=kind)
    return in_force(found, device, channel, kind, day)


def _row(c: Calibration) -> dict[str, Any]:
    return {
        "device": c.device,
        "channel": c.channel,
        "kind": c.kind.value,
        "made_at": c.when.isoformat(),
        "expires": c.expires.isoformat(),
        "method": c.method,
        "origin": c.origin,
        "coefficients": json_text(c.coefficients),
        "covariance": json_text(c.covariance),
        "residual_std": c.residual_std,
        "degrees_of_freedom": None if math.isinf(c.degrees_of_freedom) else c.degrees_of_freedom,
        "points": json_text([asdict(p) for p in c.points]),
    }


def _calibration(row: sa.RowMapping) -> Calibration:
    freedom = row["degrees_of_freedom"]
    try:
        return Calibration(
            row["device"],
            row["channel"],
            CalibrationKind(row["kind"]),
            datetime.fromisoformat(row["made_at"]),
            date.fromisoformat(row["expires"]),
            tuple(json.loads(row["coefficients"])),
            tuple(tuple(r) for r in json.loads(row["covariance"])),
            row["residual_std"],
            math.inf if freedom is None else freedom,
            tuple(Point(**p) for p in json.loads(row["points"])),
            row["method"],
            row["origin"],
        )
    except (ValueError, TypeError) as error:
        raise LogbookError(
            f"the calibration of {row['device']} made at {row['made_at']} cannot be read: {error}. "
            "Update chillrig, or calibrate again"
        ) from error
