"""A fleet that keeps posting while things break, and what has to be true of it afterwards."""

from __future__ import annotations

import http.client
import json
import threading
import time
from collections import Counter
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg

from tests.plugins.live import Answer, LiveStack

START = datetime(2026, 1, 1, tzinfo=UTC)
TOOLS = 3  # of each thread
METRES = 100.0
PATIENCE_S = 150.0  # on a machine that does ten other things; nothing waits so long where it has its cores
IN_FILE = 10  # inspections of each tool in the file
#: What answers of a service that is partly away look like; everything else settles a request.
AWAY = frozenset({500, 502, 503})
UNREAD = frozenset({"received", "reading"})


def moment(n: int) -> str:
    return (START + timedelta(hours=n)).isoformat()


def inspection(tool: str, n: int) -> dict[str, Any]:
    """The n-th inspection of a tool: two features, twice each, a hundred metres after the one before."""
    sizes = {"piston.od": 97.91 - 0.0001 * n, "casing.bore": 97.99 + 0.0001 * n}
    readings = [
        {"feature": feature, "station": 1, "orientation": turn, "value": size}
        for feature, size in sizes.items()
        for turn in (0, 90)
    ]
    usage = {"metres": METRES, "ground": "hard"}
    head = {"reference": f"W{n}", "tool": tool, "taken_at": moment(n), "unit": "mm", "usage": usage}
    return head | {"readings": readings}


def as_file(tools: list[str], first: int) -> bytes:
    """The next inspections of each tool as a gauge would export them, and a row of another that cannot be read."""
    lines = ["reference,tool,taken_at,feature,station,orientation,value,unit,metres,ground"]
    for n in range(first, first + IN_FILE):
        for tool in tools:
            for r in inspection(tool, n)["readings"]:
                row = (f"W{n}", tool, moment(n), r["feature"], 1, r["orientation"], r["value"], "mm", METRES, "hard")
                lines.append(",".join(map(str, row)))
    lines.append(f"X{first},{tools[0]},{moment(first)},piston.unknown,1,0,97.9,mm,{METRES},hard")
    return "\n".join(lines).encode() + b"\n"


@dataclass
class Load:
    """Threads that post one after the other, each until it is answered, and remember what they were told.

    Every tool belongs to one thread, so its inspections come in the order of time. Every seventh request has a fault:
    it must be refused, and leave nothing. One thread posts in batches, and one sends gauge exports, one after the
    other, so that there is always one on its way.
    """

    stack: LiveStack
    name: str
    threads: int = 3
    pace_s: float = 0.02
    accepted: set[tuple[str, str]] = field(default_factory=set)
    refused: set[tuple[str, str]] = field(default_factory=set)
    exports: list[str] = field(default_factory=list)
    seen: Counter[str] = field(default_factory=Counter)
    troubles: list[str] = field(default_factory=list)
    _stop: threading.Event = field(default_factory=threading.Event)
    _running: list[threading.Thread] = field(default_factory=list)

    def __enter__(self) -> Load:
        for k in range(self.threads):
            for tool in self._tools(k):
                body = {"tool_type": "kind", "site": "yard", "commissioned_on": "2026-01-01"}
                answer = self.stack.call("PUT", f"/v1/tools/{tool}", body)
                assert answer.status == 201, answer.body
        for k, post in enumerate((self._post_single, self._post_batches, self._post_files)[: self.threads]):
            thread = threading.Thread(target=self._run, args=(post, self._tools(k)), daemon=True)
            thread.start()
            self._running.append(thread)
        return self

    def __exit__(self, *_: Any) -> None:
        self.stop()

    def stop(self) -> None:
        """Post nothing new, and see every request through that was begun."""
        self._stop.set()
        for thread in self._running:
            thread.join(PATIENCE_S + 30)
            assert not thread.is_alive(), "a request is still not settled"
        self._running.clear()

    def _tools(self, k: int) -> list[str]:
        return [f"{self.name}-{k}-{n}" for n in range(TOOLS)]

    def _run(self, post: Any, tools: list[str]) -> None:
        try:
            post(tools)
        except Exception as trouble:
            self.troubles.append(f"{type(trouble).__name__}: {trouble}")

    def _post_single(self, tools: list[str]) -> None:
        n, sent = 1, 0
        while not self._stop.is_set():
            for tool in tools:
                sent += 1
                if sent % 7 == 0:
                    self._post_faulty(tool, n)
                answer = self._until_answered("/v1/inspections", inspection(tool, n))
                assert answer.status in (200, 202), answer.body
                self.accepted.add((tool, f"W{n}"))
            n += 1

    def _post_faulty(self, tool: str, n: int) -> None:
        body = inspection(tool, n) | {"reference": f"X{n}"}
        body["readings"][1]["feature"] = "piston.unknown"
        answer = self._until_answered("/v1/inspections", body)
        assert answer.status == 422, answer.body
        self.refused.add((tool, f"X{n}"))

    def _post_batches(self, tools: list[str]) -> None:
        n = 1
        while not self._stop.is_set():
            documents = [inspection(tool, n + k) for k in range(3) for tool in tools]
            answer = self._until_answered("/v1/inspections/batch", {"inspections": documents})
            assert answer.status == 200, answer.body
            assert {item["status"] for item in answer.json["items"]} <= {200, 202}, answer.body
            self.accepted |= {(document["tool"], document["reference"]) for document in documents}
            n += 3

    def _post_files(self, tools: list[str]) -> None:
        n = 1
        while not self._stop.is_set():
            sent = as_file(tools, n)
            answer = self._until_answered("/v1/gauge-exports?layout=plain", sent, Content_Type="text/csv")
            assert answer.status in (200, 202), answer.body
            self.accepted |= {(tool, f"W{n + k}") for tool in tools for k in range(IN_FILE)}
            self.refused.add((tools[0], f"X{n}"))
            self.exports.append(answer.json["id"])
            self._until_read(answer.json["id"])
            n += IN_FILE

    def _until_read(self, export_id: str) -> None:
        """Wait until a file's inspections are there: the next one's are later in time."""
        until = time.monotonic() + PATIENCE_S
        while (found := self._until_answered(f"/v1/gauge-exports/{export_id}", None, "GET").json)["state"] in UNREAD:
            assert time.monotonic() < until, f"the file is still not read: {found}"
            time.sleep(0.1)
        assert found["state"] in ("assessing", "done"), found

    def _until_answered(self, path: str, body: Any, method: str = "POST", **headers: str) -> Answer:
        until = time.monotonic() + PATIENCE_S
        while True:
            try:
                answer = self.stack.call(method, path, body, **headers)
                self.seen[str(answer.status)] += 1
                if answer.status not in AWAY:
                    time.sleep(self.pace_s)
                    return answer
                said = answer.body.decode()
                assert answer.status == 503, said  # away is told, never a 500
            except (OSError, http.client.HTTPException, json.JSONDecodeError) as broken:
                self.seen["no answer"] += 1
                said = repr(broken)
            assert time.monotonic() < until, f"never answered: {said}"
            time.sleep(0.1)

    # ---------------------------------------------------------------- what has to be true

    def prove(self, conn: psycopg.Connection, least: int = 30) -> None:
        """All that was answered 2xx is assessed exactly once, and nothing else is there.

        Raises
        ------
        AssertionError
        """
        assert self.troubles == [], self.troubles
        assert len(self.accepted) >= least, f"only {len(self.accepted)} inspections were posted"
        self.stack.wait_for(lambda: self._open(conn) == 0, PATIENCE_S)
        self.compare(conn)

    def compare(self, conn: psycopg.Connection) -> None:
        """Compare what was told with what is there now."""
        mine = {"mine": f"{self.name}-%"}
        rows = conn.execute(STORED, mine).fetchall()
        assert not self.accepted & self.refused
        assert {row[:2] for row in rows} == self.accepted
        assert len(rows) == len(self.accepted)
        wrong = [row for row in rows if row[2:10] != ("assessed", 1, [1], 4, 2, 1, 6, 1)]
        assert wrong == [], wrong[:3]
        run = {(tool, reference): usage for tool, reference, *_, usage in rows}
        for (_, reference), usage in run.items():  # hard ground counts double, per 1000 m
            assert abs(usage - 2 * METRES / 1000 * int(reference[1:])) < 1e-6, (reference, usage)
        newest = conn.execute(NEWEST, mine).fetchall()
        assert len(newest) == len({tool for tool, _ in self.accepted})
        odd = [row for row in newest if row[1:] != (True, True)]
        assert odd == [], odd
        self._prove_exports(conn)

    def _prove_exports(self, conn: psycopg.Connection) -> None:
        """Every file is there once, all its rows are counted, and its bad row is told once."""
        found = conn.execute(EXPORTS, {"like": f"%{self.name}-%"}).fetchall()
        assert sorted(row[0] for row in found) == sorted(self.exports)
        rows = IN_FILE * TOOLS * 4
        wrong = [row for row in found if row[1:] != ("done", rows + 1, rows, 1, 1, IN_FILE * TOOLS, IN_FILE * TOOLS)]
        assert wrong == [], wrong

    def _open(self, conn: psycopg.Connection) -> int:
        row = conn.execute(OPEN, {"mine": f"{self.name}-%"}).fetchone()
        conn.rollback()
        assert row is not None
        return int(row[0])


OPEN = """
SELECT (SELECT count(*) FROM inspections i JOIN tools t USING (tool_id)
        WHERE t.serial LIKE %(mine)s AND i.state = 'accepted')
     + (SELECT count(*) FROM tool_work w JOIN tools t USING (tool_id) WHERE t.serial LIKE %(mine)s)
     + (SELECT count(*) FROM gauge_exports e WHERE e.state IN ('received', 'reading', 'assessing'))
"""
#: Of each inspection: state, version, versions of its assessment, how many rows of each kind, usage of its components.
STORED = """
SELECT t.serial, i.reference, i.state, i.inspection_version,
       (SELECT array_agg(a.version) FROM assessments a WHERE a.inspection_id = i.inspection_id),
       (SELECT count(*) FROM readings r WHERE r.inspection_id = i.inspection_id),
       (SELECT count(*) FROM sizes s WHERE s.inspection_id = i.inspection_id),
       (SELECT count(*) FROM clearances c WHERE c.inspection_id = i.inspection_id),
       (SELECT count(*) FROM limits l WHERE l.inspection_id = i.inspection_id),
       (SELECT count(*) FROM usage u WHERE u.inspection_id = i.inspection_id),
       (SELECT max(s.usage) FROM sizes s WHERE s.inspection_id = i.inspection_id)
FROM inspections i
JOIN tools t USING (tool_id)
WHERE t.serial LIKE %(mine)s
ORDER BY t.serial, i.taken_at
"""
#: Whether each tool's status rests on its newest inspection, and its changes are numbered without a gap.
NEWEST = """
SELECT t.serial,
       s.inspection_id = (SELECT i.inspection_id FROM inspections i WHERE i.tool_id = t.tool_id
                          ORDER BY i.taken_at DESC LIMIT 1),
       (SELECT count(*) = s.sequence AND max(c.sequence) = s.sequence FROM changes c WHERE c.tool_id = t.tool_id)
FROM tools t
JOIN tool_status s USING (tool_id)
WHERE t.serial LIKE %(mine)s
"""
#: Of each file with such tools: state, rows of each sort, faults that were told, inspections that it says and has.
EXPORTS = """
SELECT e.export_id::text, e.state, e.rows_total, e.rows_accepted, e.rows_faulty,
       (SELECT count(*) FROM gauge_export_faults f WHERE f.export_id = e.export_id),
       e.inspections_total,
       (SELECT count(*) FROM inspection_sources s WHERE s.export_id = e.export_id)
FROM gauge_exports e
JOIN gauge_export_chunks c USING (export_id)
WHERE e.state <> 'receiving' AND convert_from(c.bytes, 'UTF8') LIKE %(like)s
"""
