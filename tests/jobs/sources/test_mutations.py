"""Whatever comes, a client reads it or refuses it in one sentence; nothing else leaves a parser."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from clients import CLIENTS

from jobs.sources.services import service
from jobs.sources.source import Parsed, SourceError

N_CHANGES = 12
_STRANGE = (None, "", "x", -1, 1e30, [], {}, True, "-9999", -9999, "2026-13-01", [[1]], {"a": 1})


def changed_tree(tree, rng):
    """Return a JSON tree with one node replaced, repeated or removed."""
    tree = json.loads(json.dumps(tree))
    parents = []

    def walk(node):
        if isinstance(node, dict | list) and node:
            parents.append(node)
            for child in list(node.values() if isinstance(node, dict) else node)[:50]:
                walk(child)

    walk(tree)
    if not parents:
        return rng.choice(_STRANGE)
    node = rng.choice(parents)
    key = rng.choice(list(node) if isinstance(node, dict) else range(len(node)))
    if rng.random() < 0.3:
        del node[key]
    elif isinstance(node, list) and rng.random() < 0.3:
        node.append(node[key])
    else:
        node[key] = rng.choice(_STRANGE)
    return tree


def changed_text(body, rng):
    """Return a text with a piece cut out, repeated, or overwritten."""
    start = rng.randrange(len(body)) if rng.random() < 0.5 else rng.randrange(min(200, len(body)))
    end = min(len(body), start + rng.randrange(1, 30))
    piece = rng.choice([b"", body[start:end] * 2, b";", b'"', b"\n", b"\xff\xfe", b"-9999", b"NaN"])
    return body[:start] + piece + body[end:]


def changed(body, rng):
    """Return a body that is not quite what it was."""
    try:
        return json.dumps(changed_tree(json.loads(body), rng)).encode()
    except ValueError:
        return changed_text(body, rng)


@pytest.mark.parametrize("client", CLIENTS, ids=lambda client: client.source_id)
def test_a_changed_reply_is_read_or_refused_in_one_sentence(client, server, make_session):
    server.routes.update(client.routes())
    source = client.source(server.url)
    settings = client.settings(server.url)
    session = make_session(source)
    speaks = service(source)
    rng = random.Random(7)
    waiting = list(speaks.requests(source, client.places, client.first, client.last, settings))[:3]
    sentences = []
    for _ in range(6):
        if not waiting:
            break
        reply = session.get(waiting.pop(0))
        listing = reply.request.role == "listing"
        if listing:
            waiting = [*speaks.follow_up(source, reply, settings)[:2], *waiting]
        for _ in range(N_CHANGES):
            spoiled = replace(reply, body=changed(reply.body, rng))
            try:
                if listing:
                    assert isinstance(speaks.follow_up(source, spoiled, settings), list)
                else:
                    assert isinstance(speaks.parse(spoiled), Parsed)
            except SourceError as error:
                sentences.append(str(error))
    assert sentences  # the changes are not all harmless
    assert not [sentence for sentence in sentences if "\n" in sentence]
