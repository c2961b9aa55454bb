"""A study whose outlines are taught: measure, learn across fields, choose, measure again where these are better."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar, cast

import numpy as np

from micro import results
from micro.batch.fields import directed, jobs_of, run_jobs
from micro.batch.job import Job, Outcome, TaughtOutlinesJob
from micro.batch.taught import NOT_COUNTED, MapJob, Mapped, features_at, map_field, map_file
from micro.errors import InputError, MicroError, UsageError
from micro.issues import issue, ordered
from micro.points.answers import Counted, read_answers
from micro.points.lessons import LESSONS, write_lessons
from micro.processes import pool_of, prepare_process
from micro.study.model import Specimen, Study
from micro.taught.crossfit import check_answers, classes_of, cross_taught
from micro.taught.judged import Wanted
from micro.taught.learner import OUTSIDE_SHARE, StoredMap, TaughtMap, from_text, teach, to_text
from micro.taught.lesson import ALL, Lesson, LessonField, Uncounted, learn_of

OWN = "own"
MAP_ENDING = ".json"
UNNAMED = "carbide"
Task = TypeVar("Task")
Answer = TypeVar("Answer")
Done = Callable[[Outcome], None]


@dataclass(frozen=True, eq=False)
class Teaching:
    """What teaches some specimens: tallies, and a map that was kept of an earlier lesson."""

    counted: Counted
    stored: StoredMap | None


@dataclass(frozen=True, eq=False)
class MappedField:
    """One measured field of a taught specimen: its job, its answers (None where nobody counted it), its map."""

    job: Job
    task: MapJob
    mapped: Mapped

    @property
    def counted(self) -> bool:
        """Whether anybody answered points of it."""
        return len(self.task.counted.x_px) > 0


def checked_study(study: Study, go_on: bool) -> Study:
    """Study whose tallies can all be read and can teach; looked at before anything is measured.

    Parameters
    ----------
    go_on
        Leave out what cannot teach, and say so, in place of stopping.

    Raises
    ------
    UsageError
        With the file, where a tally is damaged, foreign, too small or contradictory.
    """
    troubles: dict[tuple[Path, ...], str] = {}
    for paths, specimens in _groups(study).items():
        try:
            _check(paths, specimens)
        except MicroError as trouble:
            if not go_on:
                raise UsageError(trouble.where, trouble.problem, trouble.remedy) from None
            troubles[paths] = f"{trouble}; the run goes on without it"
    if not troubles:
        return study
    specimens_left = tuple(replace(s, taught_by=()) if s.taught_by in troubles else s for s in study.specimens)
    return replace(study, specimens=specimens_left, messages=(*study.messages, *troubles.values()))


def _groups(study: Study) -> dict[tuple[Path, ...], list[Specimen]]:
    """Specimens by what teaches them: those of one list share a map."""
    groups: dict[tuple[Path, ...], list[Specimen]] = {}
    for specimen in study.specimens:
        if specimen.taught_by:
            groups.setdefault(specimen.taught_by, []).append(specimen)
    return groups


def _check(paths: Sequence[Path], specimens: Sequence[Specimen]) -> None:
    """InputError where what should teach these specimens cannot."""
    teaching = read_teaching(paths)
    counted = teaching.counted
    if not counted.fields:
        return
    hashes = {path: results.hash_or_none(path) for s in specimens for path in {f.image for f in s.fields}}
    own = {(hashes[f.image], f.name) for s in specimens for f in s.fields}
    met = [answers for key, answers in counted.fields.items() if key in own]
    if not met:
        problem = "counts none of these pictures (by their SHA-256 and the names of the fields)"
        raise InputError(counted.source, problem, "give the tally of these pictures, or leave it out of taught_by")
    if teaching.stored is None:
        check_answers(met, counted.source)
    elif {key[0] for key in counted.fields if key in own} & set(teaching.stored.about.get("pictures", ())):
        problem = "counts pictures that taught the kept map beside it: their answers cannot correct it"
        raise InputError(counted.source, problem, "give the tally alone: it teaches again")


def read_teaching(paths: Sequence[Path]) -> Teaching:
    """Read tallies, and at most one kept map.

    Raises
    ------
    InputError
        Where one of them cannot be used.
    """
    maps = [path for path in paths if path.suffix.lower() == MAP_ENDING]
    tallies = [path for path in paths if path not in maps]
    if len(maps) > 1:
        raise InputError(maps[1], "is a second kept map", "give one")
    stored = _stored(maps[0]) if maps else None
    return Teaching(read_answers(tallies) if tallies else Counted({}, (), (), ""), stored)


def _stored(path: Path) -> StoredMap:
    try:
        text = path.read_text(encoding="utf8")
    except (OSError, UnicodeDecodeError):
        raise InputError(path, "cannot be read", "give a map that a run kept in its folder taught") from None
    return from_text(text, path)


def measure_taught(
    study: Study, out: Path, workers: int, done: Done, scheduler: str | None = None
) -> tuple[Outcome, ...]:
    """Measure a study with taught specimens; the lessons are kept in taught/taught.json.

    Every field is measured with the program's own outlines first. Where taught outlines are chosen it is measured
    again with those; where not, the first measurement stands.
    """
    with directed(list(jobs_of(study, out)), study, workers, scheduler) as jobs:
        return _measured(study, jobs, out, workers, done, scheduler)


def _measured(
    study: Study, jobs: list[Job], out: Path, workers: int, done: Done, scheduler: str | None
) -> tuple[Outcome, ...]:
    specimen = {s.name: s for s in study.specimens}
    plain = [job for job in jobs if not specimen[job.specimen].taught_by]
    taught = [job for job in jobs if specimen[job.specimen].taught_by]
    own_folder = out / results.TAUGHT / OWN
    own_jobs = [replace(job, out=own_folder) for job in taught]
    ended = {_place(o): o for o in run_jobs(plain, workers, done, scheduler)} if plain else {}
    own = {_place(o): o for o in run_jobs(own_jobs, workers, lambda outcome: None, scheduler)}
    sound = [job for job in taught if not own[job.specimen, job.field.name].trouble]
    lessons: dict[str, Lesson] = {}
    final: list[Job] = []
    for number, (paths, specimens) in enumerate(_groups(study).items(), 1):
        group = [job for job in sound if job.specimen in {s.name for s in specimens}]
        found, again = _group(paths, specimens, group, own, out / _map_name(number), workers)
        lessons |= found
        final += again
    ended |= {_place(o): o for o in run_jobs(final, workers, done, scheduler)} if final else {}
    for job in taught:
        if (job.specimen, job.field.name) not in ended:
            outcome = own[job.specimen, job.field.name]
            _take_over(outcome, own_folder, out)
            ended[_place(outcome)] = outcome
            done(outcome)
    write_lessons(out, lessons)
    for name, lesson in lessons.items():
        for field, share in lesson.outside.items():
            told = ended[name, field]
            ended[name, field] = replace(told, issues=ordered((*told.issues, issue("outside_taught", share=share))))
    return tuple(ended[job.specimen, job.field.name] for job in jobs)


def _place(outcome: Outcome) -> tuple[str, str]:
    return outcome.specimen, outcome.field


def _map_name(number: int) -> str:
    return f"{results.TAUGHT}/map.json" if number == 1 else f"{results.TAUGHT}/map-{number}.json"


def taught_names(study: Study) -> tuple[str, ...]:
    """Names of the files in a results folder that a study with taught specimens writes beside those of any study."""
    stems = [f.stem for s in study.specimens if s.taught_by for f in s.fields]
    if not stems:
        return ()
    maps = (_map_name(number) for number in range(1, len(_groups(study)) + 1))
    own = (f"{results.TAUGHT}/{OWN}/{name}" for stem in stems for name in results.field_files(stem))
    fields = (map_file(Path(), stem).with_suffix(ending).as_posix() for stem in stems for ending in (".tif", ".json"))
    return (f"{results.TAUGHT}/{LESSONS}", *maps, *own, *fields)


def _take_over(outcome: Outcome, own: Path, out: Path) -> None:
    """Put what was measured with the program's own outlines into the place of the field."""
    if outcome.trouble:
        results.remove_field(out, outcome.stem)
        return
    for name in (*outcome.outputs, f"{results.PARTS}/{outcome.stem}/{results.RECORD}"):
        content = (own / name).read_bytes()
        if not (out / name).is_file() or (out / name).read_bytes() != content:
            with results.whole_file(out / name) as stream:
                stream.write(content)


def _group(
    paths: Sequence[Path],
    specimens: Sequence[Specimen],
    jobs: Sequence[Job],
    own: dict[tuple[str, str], Outcome],
    kept: Path,
    workers: int,
) -> tuple[dict[str, Lesson], list[Job]]:
    """Lessons of the specimens that share a map, and the jobs that measure again."""
    teaching = read_teaching(paths)
    classes = teaching.counted.classes
    keys = [(own[_of(job)].image_sha256, job.field.name) for job in jobs]
    tasks = [
        MapJob(job, teaching.counted.fields.get(key, NOT_COUNTED), job.out / results.TAUGHT / OWN)
        for job, key in zip(jobs, keys, strict=True)
    ]
    tasks, whole = _with_maps(tasks, teaching, workers)
    fields = [
        MappedField(job, task, mapped)
        for job, task, mapped in zip(jobs, tasks, in_processes(map_field, tasks, workers, "taught_by"), strict=True)
    ]
    pooled = learn_of("", [_lesson_field(f, classes) for f in fields if f.counted], "better")
    chosen = pooled.chosen if pooled.points else str((teaching.stored or StoredMap(whole)).about.get("chosen", "own"))
    lessons = {s.name: _lesson(s, fields, classes, chosen) for s in specimens}
    if teaching.stored is None:
        about = {"chosen": pooled.chosen, "classes": list(classes), "answers": whole.points,
                 "pictures": sorted({own[_of(f.job)].image_sha256 for f in fields if f.counted})}  # fmt: skip
        with results.whole_file(kept) as stream:
            stream.write(to_text(StoredMap(whole, about)).encode())
    else:
        classes = tuple(teaching.stored.about.get("classes", ()))
    again = [
        replace(f.job, taught=TaughtOutlinesJob(
            map_file(f.job.out, f.job.field.stem), f.mapped.map_sha256, _class_names(f, classes)))
        for f in fields
        if lessons[f.job.specimen].chosen == "taught"
    ]  # fmt: skip
    return lessons, again


def _of(job: Job) -> tuple[str, str]:
    return job.specimen, job.field.name


def _class_names(field: MappedField, classes: tuple[str, ...]) -> tuple[str, ...]:
    """Names for the classes of a map: as counted; where nobody told them apart, the one that the study names."""
    given = field.job.field.settings.class_names
    return classes or (given if len(given) == 1 else (UNNAMED,))


def _with_maps(tasks: list[MapJob], teaching: Teaching, workers: int) -> tuple[list[MapJob], TaughtMap]:
    """Give each field a map that has not seen its answers, and the map of all answers; the latter too."""
    if teaching.stored is not None:
        stored = teaching.stored.taught
        return [replace(task, taught=stored, drawn=stored) for task in tasks], stored
    counted = [task for task in tasks if len(task.counted.x_px)]
    if not counted:
        raise InputError(teaching.counted.source, "counts no field that could be measured", "see why these failed")
    check_answers([task.counted for task in counted], teaching.counted.source)
    found = in_processes(features_at, counted, workers, "taught_by")
    features, answers = [one[0] for one in found], [one[1] for one in found]
    check_answers(answers, teaching.counted.source)
    shares = np.concatenate([a.shares(classes_of(answers)) for a in answers])
    whole = teach(np.concatenate(features), shares)
    if len(counted) == 1:
        # A single counted field is judged by folds of points, which its worker teaches.
        return [task if task is counted[0] else replace(task, taught=whole, drawn=whole) for task in tasks], whole
    judged = {id(task): taught for task, taught in zip(counted, cross_taught(features, answers), strict=True)}
    return [replace(task, taught=judged.get(id(task), whole), drawn=whole) for task in tasks], whole


def in_processes(work: Callable[[Task], Answer], tasks: Sequence[Task], workers: int, key: str) -> list[Answer]:
    """Work on every task of a study key, in as many processes; answers in the order of the tasks."""
    workers = min(workers, len(tasks))
    if workers <= 1:
        prepare_process()
        return [work(task) for task in tasks]
    try:
        with pool_of(workers) as pool:
            return list(pool.map(work, tasks))
    except BrokenProcessPool:
        raise InputError(key, "the system ended a process that worked for it", "free memory, then run again") from None


def _lesson_field(field: MappedField, classes: tuple[str, ...]) -> LessonField:
    answers, mapped = field.task.counted, field.mapped
    by_map = {ALL: mapped.counted(answers)}
    by_map |= {name: mapped.counted(answers, k) for k, name in enumerate(classes, 1)}
    return LessonField(
        field.job.field.name, answers.x_px, answers.y_px, by_map, mapped.own, mapped.outlined, mapped.own_share
    )


def _lesson(specimen: Specimen, fields: Sequence[MappedField], classes: tuple[str, ...], chosen: str) -> Lesson:
    """Lesson of one specimen; `chosen` is what all specimens of the map say together."""
    own = [f for f in fields if f.job.specimen == specimen.name]
    counted = [_lesson_field(f, classes) for f in own if f.counted]
    outside = {f.job.field.name: f.mapped.outside for f in own if not f.counted and f.mapped.outside > OUTSIDE_SHARE}
    wanted = cast(Wanted, specimen.outlines)
    beside = [_uncounted(f, classes) for f in own if not f.counted and f.job.field.name not in outside]
    return learn_of(specimen.name, counted, wanted, None if counted else chosen, outside, beside)


def _uncounted(field: MappedField, classes: tuple[str, ...]) -> Uncounted:
    mean = field.mapped.mean
    by_class = {name: float(mean[k]) for k, name in enumerate(classes)} if len(mean) == len(classes) else {}
    return Uncounted({ALL: float(mean.sum()), **by_class}, field.mapped.own_share)
