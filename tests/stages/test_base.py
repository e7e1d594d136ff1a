"""What a stage's module must be called, and how a key is named."""

from __future__ import annotations

import pytest

from busproc.stages import REGISTRY
from busproc.stages.base import Key, Stage
from busproc.stages.compressor import Compressor
from busproc.stages.parallel import Branch, Parallel


@pytest.mark.parametrize(
    ("tag", "module", "namespace"),
    [
        ("gain", "busproc.stages.gain", {"neutral": {}}),
        ("tilt", "busproc.stages.slope", {"neutral": {}}),
        ("tilt", "busproc.stages.tilt", {}),
    ],
    ids=["tag is taken", "tag is not its module's name", "no neutral settings"],
)
def test_a_stage_that_breaks_the_rules_of_naming_is_refused_at_once(tag, module, namespace):
    fields = {"__annotations__": {"stage": str}, "stage": tag}
    before = dict(REGISTRY)
    with pytest.raises(TypeError, match=f"this one's tag is '{tag}'"):
        type("Tilt", (Stage,), {"__module__": module, **fields, **namespace})
    assert before == REGISTRY


def test_a_composite_tells_the_keys_of_all_its_stages_and_where_they_are():
    keyed = [Compressor(key={"from": name}) for name in ("kick", "voice")]
    inner = Parallel(branches=(Branch(level_db=0.0, stages=(keyed[1], Compressor())),))
    outer = Parallel(branches=(Branch(level_db=0.0, stages=(keyed[0], inner)),))
    assert [(where, key.name) for where, key in outer.key_inputs()] == [
        ("branches[0].stages[0].key", "kick:after_chain"),
        ("branches[0].stages[1].branches[0].stages[0].key", "voice:after_chain"),
    ]


def test_a_key_is_named_by_its_source_and_tap():
    assert Key(source="kick", tap="before_chain").name == "kick:before_chain"
