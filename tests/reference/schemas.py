"""The schemas of the guide hold of real sessions and of what the program prints, and nothing is in either that they do not name.

Called by format.py. The schemas are JSON Schema, draft 2020-12.
"""

import copy
import json
import subprocess
import tempfile

from jsonschema import Draft202012Validator
from referencing import Registry, Resource

BY_NAME = {"acoustic", "curves", "microphones", "recordings"}
"""Objects whose keys are names: inputs of the desk, files of the step."""
SHORTENED = 2
"""Long lists are cut to as many entries before keys are added, so that it takes seconds; a pair stays one."""


def load(folder):
    """Every schema of the folder, itself checked against draft 2020-12."""
    texts = {file.name: json.loads(file.read_text()) for file in sorted(folder.glob("*.schema.json"))}
    # One names parts of another by its file.
    others = Registry().with_resources((name, Resource.from_contents(schema)) for name, schema in texts.items())
    schemas = {}
    for name, schema in texts.items():
        Draft202012Validator.check_schema(schema)
        schemas[name.removesuffix(".schema.json")] = Draft202012Validator(schema, registry=others)
    known = {"session", "step", "event", "judge", "compare", "series", "rehearse-all"}
    assert set(schemas) == known, f"schemas of {sorted(schemas)}"
    return schemas


def holds(schema, document, name):
    for error in schema.iter_errors(document):
        inner = error
        while inner.context:
            inner = max(inner.context, key=lambda e: len(e.absolute_path))
        where = "/".join(map(str, inner.absolute_path))
        raise AssertionError(f"{name} is not what its schema says, at {where}: {inner.message[:300]}")


def shortened(value):
    """The same with two entries in each long list of objects."""
    if isinstance(value, dict):
        return {key: shortened(inner) for key, inner in value.items()}
    if isinstance(value, list):
        long = len(value) > SHORTENED and all(isinstance(inner, dict) for inner in value)
        return [shortened(inner) for inner in (value[:SHORTENED] if long else value)]
    return value


def objects(value, path=()):
    """Paths of all objects whose keys are fields."""
    if isinstance(value, dict):
        if not path or path[-1] not in BY_NAME:
            yield path
        for key, inner in value.items():
            yield from objects(inner, (*path, key))
    elif isinstance(value, list):
        for at, inner in enumerate(value):
            yield from objects(inner, (*path, at))


def is_closed(schema, document, name, done):
    """A key that the schema does not name makes it fail, in whatever object it stands."""
    document = shortened(document)
    holds(schema, document, f"{name}, shortened")
    for path in objects(document):
        kind = tuple(part if isinstance(part, str) else "" for part in path)
        if kind in done:
            continue
        done.add(kind)
        changed = copy.deepcopy(document)
        place = changed
        for part in path:
            place = place[part]
        place["unheard-of"] = 1
        assert not schema.is_valid(changed), f"{name}: a key that the schema does not name passes at {'/'.join(kind)}"


def printed(program, *words):
    """What the program prints; an answer that is short or not determined is one too."""
    done = subprocess.run([program, *map(str, words), "--json"], capture_output=True, text=True)
    assert done.returncode in (0, 4, 5), f"{words}: {done.stderr}"
    return json.loads(done.stdout)


def check(folder, program, sessions, pair):
    """`pair`: two sessions that are compared. Returns documents held and places where an unknown key was refused."""
    schemas, documents, refused = load(folder), [], {}
    for session in sessions:
        documents.append(("session", session / "session.json", json.loads((session / "session.json").read_text())))
        for kind, files in (("step", "steps/[0-9][0-9][0-9][0-9]/step.json"), ("event", "events/*.json")):
            documents += [(kind, file, json.loads(file.read_text())) for file in sorted(session.glob(files))]
        documents.append(("judge", f"judge {session.name}", printed(program, "judge", session)))
    documents.append(("judge", "judge of two", printed(program, "judge", *pair)))
    documents.append(("compare", "compare", printed(program, "compare", *pair)))
    with tempfile.TemporaryDirectory() as home:
        quick = ("--quick", "--pairings", 2, "--sessions", f"{home}/series")
        documents.append(("series", "rehearse --series", printed(program, "rehearse", "--series", *quick)))
        whole = printed(program, "rehearse", "--all", "--sessions", f"{home}/all")
        holds(schemas["rehearse-all"], whole, "rehearse --all")
        assert len(whole["sessions"]) == 12 and len(whole["commands"]) == 5, "rehearse --all"
        holds(schemas["compare"], whole["commands"][0]["answer"], whole["commands"][0]["command"])
    for kind, name, document in documents:
        holds(schemas[kind], document, name)
        is_closed(schemas[kind], document, name, refused.setdefault(kind, set()))
    return len(documents), sum(map(len, refused.values()))
