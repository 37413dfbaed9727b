"""Putting a lesson's release in place, as one piece of work for a worker of this machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from pipeline.build.digest import file_digest
from pipeline.build.lesson_steps import Plan
from pipeline.build.planning import Planned, sources_of
from pipeline.build.receipt import Receipt, Receipts, Seen, StepNote, listing, seen, settle
from pipeline.build.record import record_bytes, release_record
from pipeline.build.release import (
    RECORD_FILE,
    Placed,
    kept_files,
    own_public_files,
    place_files,
    place_review,
    put_in_place,
    read_record,
    stands,
)
from pipeline.build.reviewpage import review_page
from pipeline.build.step import Made
from pipeline.build.work import Done, StorePlace, is_lost_result, said_of, store_of_worker
from pipeline.errors import LessonwrightError


@dataclass(frozen=True)
class ReleaseOrder:
    """Everything that is needed to put a release in place.

    folder : the release; receipts : the folder of theirs, on the same disk
    asked, over, tool : digests for the receipt
    """

    planned: Planned
    done: Mapping[str, Done]
    folder: Path
    store: StorePlace
    receipts: Path
    products: tuple[str, ...]
    asked: str
    over: str
    tool: str


@dataclass(frozen=True)
class Released:
    """How it went: ``failure`` is "" when the release is in place; ``lost`` as of an outcome."""

    failure: str
    cautions: tuple[str, ...]
    lost: bool = False


def put_release(order: ReleaseOrder) -> Released:
    """Place, record, and leave a receipt. A failure leaves the release before as it was."""
    cautions = list(order.planned.cautions)
    for step in order.planned.steps:
        made = order.done[step.name].made
        if made is not None:
            cautions += [_sentence(note) for note in made.notes]
    cautions = list(dict.fromkeys(cautions))
    try:
        _release(order, cautions)
    except (LessonwrightError, OSError) as error:
        told = str(error) if isinstance(error, LessonwrightError) else said_of(error)
        return Released(told, tuple(cautions), is_lost_result(error, order.store))
    return Released("", tuple(cautions))


def _release(order: ReleaseOrder, cautions: list[str]) -> None:
    plan, folder, steps = order.planned.plan, order.folder, order.planned.steps
    assert plan is not None
    store = store_of_worker(order.store)
    made = {name: store.fetch(one.made) for name, one in order.done.items() if one.made is not None}
    placed = place_files(steps, made, plan.lesson.channel.tiers)
    before = read_record(folder)
    kept = kept_files(folder, before, order.products, placed)
    if kept:
        names = ", ".join(sorted({one.step for one in kept}))
        cautions.append(
            f"Only {', '.join(order.products)} was asked for; from an earlier build, and perhaps out of date: {names}."
        )
    placed = tuple(sorted((*placed, *kept), key=lambda one: one.path))
    own = own_public_files(folder, placed)
    cautions += [f"{name} is in the public folder and was not made by lessonwright." for name in own]
    record = release_record(plan, folder, placed, order.done, cautions, before=before)
    making = Receipts(order.receipts).making
    with making.folder("review") as review:
        page = place_review(review_page(plan, record, placed, _description(placed)), review)
        placed = (*placed, page)
        record["files"].append(page.to_json())
        data = record_bytes(record)
        if stands(folder, placed):
            making.write_whole(folder / RECORD_FILE, data)
        else:
            put_in_place(folder, placed, data, making)
    try:
        _leave_receipt(order, plan, placed, made, cautions)
    except OSError as error:  # the release is in place all the same
        cautions.append(
            f"It could not be noted what was built ({said_of(error)}), so the next build looks again."
        )


def _leave_receipt(
    order: ReleaseOrder,
    plan: Plan,
    placed: Sequence[Placed],
    made: Mapping[str, Made],
    cautions: Sequence[str],
) -> None:
    folder, planned = order.folder.absolute(), order.planned
    settle()
    outputs = [seen(folder / one.path, one.sha256) for one in placed]
    receipts = Receipts(order.receipts)
    before = receipts.find(plan.slug)
    notes = before.steps if before is not None else {}
    receipts.write(
        Receipt(
            slug=plan.slug,
            title=plan.lesson.config.title,
            lesson=str(plan.lesson.config.path.absolute()),
            folder=str(folder),
            asked=order.asked,
            over=order.over,
            tool=order.tool,
            inputs=planned.inputs,
            absent=planned.absent,
            listings=(
                *planned.listings,
                (str(folder / "public"), "**/*", listing(folder / "public", "**/*")),
            ),
            outputs=(*outputs, _record_seen(folder)),
            # what was not asked for this time is told of by its last time
            steps={**(notes if order.products else {}), **_notes(order, made)},
            built=tuple(step.name for step in planned.steps),
            cautions=tuple(cautions),
            all_reused=all(one.state == "reused" for one in order.done.values()),
        )
    )


def _record_seen(folder: Path) -> Seen:
    return seen(folder / RECORD_FILE, file_digest(folder / RECORD_FILE))


def _notes(order: ReleaseOrder, made: Mapping[str, Made]) -> dict[str, StepNote]:
    portraits = order.planned.portraits or {}
    return {
        step.name: StepNote(
            step.product, step.needs, made[step.name].key, made[step.name].digest, step.weight,
            dict(portraits.get(step.name, {})), sources_of(step, order.planned),
        )
        for step in order.planned.steps
    }  # fmt: skip


def mark_reused(receipt: Receipt, receipts: Receipts, record: dict[str, Any]) -> None:
    """The record of a release that stands says that nothing was made.

    Raises OSError when the disk is full, or refuses.
    """
    folder = Path(receipt.folder)
    for step in record["steps"]:
        step.update(seconds=0.0, reused=True, peak_mb=None, why=["nothing it depends on changed"])
    receipts.making.write_whole(folder / RECORD_FILE, record_bytes(record))
    outputs = tuple(s for s in receipt.outputs if Path(s.path).name != RECORD_FILE)
    receipts.write(replace(receipt, outputs=(*outputs, _record_seen(folder)), all_reused=True))


def _description(placed: Sequence[Placed]) -> str:
    source = next((one.source for one in placed if one.path == "public/description.txt"), None)
    return source.read_text("utf-8") if source is not None else ""


def _sentence(note: str) -> str:
    said = note.strip()
    return said[:1].upper() + said[1:] + ("" if said[-1:] in ".!?" else ".")
