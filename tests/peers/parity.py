#!/usr/bin/env python3
"""Loops of random track plans, as Checkrail finds them, against networkx.

Reads plans from standard input, one JSON object a line, as the example `plans` of the crate `wiring` writes them:

    cargo run -q -p wiring --example plans -- 1 2000 | python3 tests/peers/parity.py

Every pair of rails is two nodes, left and right. A joint in which at least one rail goes on ties the conductors of both
pairs to each other; a reversing loop is there when the two nodes of one pair are connected. A joint with both rails gapped
is a loop too when it leads back into what it comes from with the rails exchanged. What is compared: whether a plan has
loops; that the tracks named hold such a loop; and that gaps where Checkrail proposes them leave none.
"""

import json
import sys

import networkx

LEFT, RIGHT = 0, 1
SIDE = {"left": LEFT, "right": RIGHT}
# Ports joined with each other inside trackwork. Two ports that a route joins look at each other: left is right there.
THROUGH = {
    "turnout": [("points", "left"), ("points", "right")],
    "crossing": [("a-left", "b-left"), ("a-right", "b-right")],
    "double-slip": [("a-left", "b-left"), ("a-right", "b-right"), ("a-left", "b-right"), ("a-right", "b-left")],
}


def joints(plan):
    """Every joint as (name, one end, other end); an end is a node maker seen looking in, and its gapped sides."""
    ends = {}
    for track in plan["tracks"]:
        for which in ("from", "to"):
            turned = which == "to"  # looking in from `to`, the track's left rail is on the right
            gapped = {SIDE[rail] ^ turned for end, rail in track["gaps"] if end == which}
            ends.setdefault(track[which], []).append((("track", track["id"]), turned, gapped))
    for name, there in ends.items():
        if "." in name:
            trackwork, port = name.split(".", 1)
            there = there + [(("port", trackwork, port), False, set())]
        if len(there) == 2:
            yield name, there[0], there[1]


def graph(plan, cut=(), only=None):
    """The rails, and the joints at which both are gapped, as pairs of nodes that face each other."""
    rails, gaps = networkx.Graph(), []
    for track in plan["tracks"]:
        rails.add_nodes_from((("track", track["id"]), side) for side in (LEFT, RIGHT))
    for work in plan["trackwork"]:
        for one, two in THROUGH[work["kind"]]:
            for side in (LEFT, RIGHT):
                rails.add_edge((("port", work["id"], one), side), (("port", work["id"], two), 1 - side))
    for name, (one, turned_one, gapped_one), (two, turned_two, gapped_two) in joints(plan):
        if only is not None and any(it[0] == "track" and it[1] not in only for it in (one, two)):
            continue
        # Looking in at one side, left of one faces right of two.
        pairs = [((one, side ^ turned_one), (two, (1 - side) ^ turned_two)) for side in (LEFT, RIGHT)]
        gapped = [side in gapped_one or 1 - side in gapped_two for side in (LEFT, RIGHT)]
        if name in cut or all(gapped):
            gaps.append(pairs)
        else:
            rails.add_edges_from(pairs)
    return rails, gaps


def has_loop(plan, cut=(), only=None):
    rails, gaps = graph(plan, cut, only)
    component = {}
    for number, nodes in enumerate(networkx.connected_components(rails)):
        component.update(dict.fromkeys(nodes, number))
    for node, side in component:
        if component[node, side] == component[node, 1 - side]:
            return True
    for (one, across), _ in gaps:
        # Across the gap lies the conductor of the opposite rail.
        opposite = (across[0], 1 - across[1])
        if one in component and opposite in component and component[one] == component[opposite]:
            return True
    return False


def main():
    plans = loops = 0
    for line in sys.stdin:
        plan = json.loads(line)
        plans, loops = plans + 1, loops + len(plan["loops"])
        assert has_loop(plan) == bool(plan["loops"]), f"loop or no loop: {line}"
        for found in plan["loops"]:
            assert has_loop(plan, only=set(found["tracks"])), f"no loop in {found}: {line}"
        cut = {place for found in plan["loops"] for place in found["gap_at"]}
        assert not has_loop(plan, cut), f"gaps at {sorted(cut)} leave a loop: {line}"
    assert plans and 0 < loops, "there was nothing to compare"
    print(f"networkx agrees on {plans} plans with {loops} loops")


if __name__ == "__main__":
    main()
