"""Asks a served dashboard as a browser does, without one."""

from __future__ import annotations

from typing import Any


def callback(client: Any, output: str, inputs: dict[str, Any], state: dict[str, Any]) -> Any:
    """Ask for one callback as a browser does; the outputs of several are in one string."""
    known = client.get("/_dash-dependencies").get_json()
    found = next(d for d in known if output in d["output"] and not d.get("clientside_function"))
    names = found["output"].strip(".").split("...")
    outputs = [dict(zip(("id", "property"), n.rsplit(".", 1), strict=True)) for n in names]
    given = [{**i, "value": inputs.get(f"{i['id']}.{i['property']}")} for i in found["inputs"]]
    return client.post(
        "/_dash-update-component",
        json={
            "output": found["output"],
            "outputs": outputs if len(outputs) > 1 else outputs[0],
            "inputs": given,
            "state": [{**s, "value": state.get(f"{s['id']}.{s['property']}")} for s in found["state"]],
            "changedPropIds": [f"{i['id']}.{i['property']}" for i in given],
        },
    )
