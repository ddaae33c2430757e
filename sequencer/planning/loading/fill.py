"""Takes over into a sequence what it leaves out and its model has, before the sequence is read.

What is taken over keeps its place in the model file: a complaint about it points there, and a result says that its limit came from there.
What the sequence states itself holds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from sequencer.checks import check_names, find_check
from sequencer.checks.check import AnyCheck, Check
from sequencer.files.yaml_tree import Node, Source
from sequencer.inputs.model import CHANNEL_WORDS, ModelFile
from sequencer.inputs.preset import Preset
from sequencer.planning.loading.model_file import LoadedModel
from sequencer.planning.loading.model_limits import limit_keys
from sequencer.problems import Complaint, did_you_mean, listed

SIDEBANDS = ("USB", "LSB")
METER_KINDS = {"voltage": "needle", "bar": "segments", "dial": "needle"}
"""What a check of the signal meter calls each kind of meter."""
_NORMAL, _SSB = ("microphone", "normal"), ("microphone", "ssb")
_METER = {"attack": ("meter", "attack"), "decay": ("meter", "decay")}
FILLED: dict[str, dict[str, tuple[str, str]]] = {
    "peak_deviation": {"drive": _NORMAL},
    "modulation_depth": {"drive": _NORMAL},
    "transmit_distortion": {"drive": _NORMAL},
    "ssb_suppression": {"drive": _SSB},
    "adjacent_channel_power": {"drive": _NORMAL},
    "occupied_bandwidth": {"drive": _NORMAL},
    "microphone_sensitivity": {"maximum": ("deviation", "maximum")},
    "spurious_response": {
        "intermediate_frequencies": ("receiver", "intermediate_frequencies"),
        "oscillators": ("receiver", "oscillators"),
    },
    "receiver_emissions": {
        "intermediate_frequencies": ("receiver", "intermediate_frequencies"),
        "oscillators": ("receiver", "oscillators"),
    },
    "s9_point": {"target": ("meter", "s9"), **_METER},
    "s_meter_curve": {"marks": ("meter", "marks"), **_METER},
}
"""Where in the model file a setting of a check stands; channels, limits, `deviation` and the kind of meter have rules of their own."""


SQUELCH_CLOSED = "squelch turned back until the noise just stops"
_OF_PRESETS = frozenset({"drive", "target"})
"""Settings that a preset may leave to the model."""


def whole_presets(model: ModelFile) -> dict[str, Preset]:
    """Return the presets of a model by name, with the drive and the voltage at S9 that they leave to it."""
    return {name: _whole(preset, model) for name, preset in model.presets.items()}


def _whole(preset: Preset, model: ModelFile) -> Preset:
    drive_v = model.microphone.ssb_v if preset.of == "ssb_suppression" else model.microphone.normal_v
    s9_v = None if model.meter is None else model.meter.s9_v
    keys = FILLED.get(preset.of, {})
    left = {
        "drive_v": drive_v if "drive" in keys and preset.drive_v is None else None,
        "target_v": s9_v if "target" in keys and preset.target_v is None else None,
    }
    return preset.model_copy(update={name: one for name, one in left.items() if one is not None})


def fill(source: Source, model: LoadedModel) -> list[Complaint]:
    """Put into the tree of a sequence what its model has and it leaves out; return what of it asks for something the model has not."""
    root, filler = source.root, _Filler(source, model)
    if root.kind != "mapping":
        return []
    filler.take_top(root)
    for at, entry in _checks(root):
        filler.take_check(root, at, entry)
    filler.ask_for_squelch(root)
    return filler.complaints


def leaves_to_a_model(source: Source) -> bool:
    """Say whether a sequence cannot be made without a model: it measures a unit and names no channels, or lacks what a check must have.

    Sequences that are whole by themselves stay as they are, whichever model the serial is of.
    """
    names = [_text(entry, "check") for _, entry in _checks(source.root)]
    on_a_unit = any(
        name in check_names() and find_check(name).side in ("receive", "transmit") for name in names
    )
    return bool(left_out(source)) or (on_a_unit and "channels" not in source.root.entries)


def left_out(source: Source) -> list[str]:
    """Return in words what of a sequence only a model can fill in; none where it is whole by itself."""
    found: dict[str, None] = {}
    for _, entry in _checks(source.root):
        name = _text(entry, "check")
        if name == "adjust" and _presets(entry):
            found["the presets of adjust"] = None
        if name not in check_names():
            continue
        for key in FILLED.get(name, {}):
            if _is_required(find_check(name), key) and key not in entry.entries:
                found[f"'{key}' of {name}"] = None
        if any(node.scalar in CHANNEL_WORDS for node in _channels(entry)):
            found["which channels are low, middle and high"] = None
    return list(found)


def is_left_out(complaint: Complaint, source: Source) -> bool:
    """Say whether a complaint only says of a key, or of a word for a channel, that a model could have filled it in."""
    keys = {key for _, entry in _checks(source.root) for key in FILLED.get(_text(entry, "check"), {})}
    words = {f"'{word}' is not allowed here" for word in CHANNEL_WORDS}
    return complaint.message in words | {f"key '{key}' is missing" for key in keys}


class _Filler:
    def __init__(self, source: Source, model: LoadedModel) -> None:
        self.complaints: list[Complaint] = []
        self._source = source
        self._model = model
        self._root = model.source.root

    def take_top(self, root: Node) -> None:
        """Take over what the whole sequence is made under."""
        for key in ("supply", "rated_power", "rated_supply", "rated_temperature"):
            if (found := self._find(key)) is not None:
                self._put(root, key, *found)
        if (modes := self._find("modes")) is not None and modes[1].items:
            self._put(root, "mode", modes[0], modes[1].items[0])
        if (asked := self._find("settings")) is not None and self._model.model.settings:
            text = ", ".join(self._model.model.settings)
            confirm = _at(asked[1], kind="mapping", entries={"confirm": (asked[0], _scalar(asked[1], text))})
            self._put(root, "prepare", asked[0], _at(asked[1], kind="sequence", items=[confirm]))

    def take_check(self, root: Node, at: int, entry: Node) -> None:
        """Take over what one check leaves out."""
        name = _text(entry, "check")
        if name == "adjust":
            self._take_presets(at, entry)
            return
        if name not in check_names():
            return
        check, mode = find_check(name), _text(entry, "mode") or _text(root, "mode") or "FM"
        self._take_channel(check, at, entry)
        places = dict(FILLED.get(name, {}))
        if name == "carrier_power" and any(one in SIDEBANDS for one in _modes(entry) or [mode]):
            places["drive"] = _SSB
        if "deviation_hz" in check.settings.model_fields:
            places["deviation"] = ("deviation", "normal")
        for key, path in places.items():
            if (found := self._find(*path)) is not None:
                self._put(entry, key, *found)
        if name in ("s9_point", "s_meter_curve"):
            self._take_meter(entry)
        self._take_limits(check, mode, at, entry)

    def _take_meter(self, entry: Node) -> None:
        meter = self._model.model.meter
        if meter is not None and (found := self._find("meter")) is not None:
            kind = self._find("meter", "kind") or found
            self._put(entry, "meter", kind[0], _scalar(kind[1], METER_KINDS[meter.kind]))

    def _take_limits(self, check: AnyCheck, mode: str, at: int, entry: Node) -> None:
        keys = limit_keys(check)
        if any(key not in entry.entries for key in keys):
            self.complaints += self._several_limits(check, at, entry)
        mode = next(iter(_modes(entry)), mode)
        found = self._find("limits_in_mode", mode, check.name) or self._find("limits", check.name)
        if found is None:
            return
        if keys == ("limit",):
            self._put(entry, "limit", *found)
            return
        for key in keys:
            if key in found[1].entries:
                self._put(entry, key, *found[1].entries[key])

    def _several_limits(self, check: AnyCheck, at: int, entry: Node) -> Iterator[Complaint]:
        """Yield that one limit cannot stand for several modes, where the model states others for one of them."""
        own = [self._find("limits_in_mode", mode, check.name) for mode in _modes(entry)]
        if len(own) > 1 and any(one is not None for one in own):
            yield self._source.complain(
                ("checks", at, "at", "mode"),
                f"the model {self._model.model.model} has limits of {check.name} that differ from mode to mode "
                f"({self._model.source.where('limits_in_mode')})",
                allowed="an entry of its own for each mode, or limits here that hold in all of them",
            )

    def _take_channel(self, check: AnyCheck, at: int, entry: Node) -> None:
        goes_by_itself = type(check).start_channel is not Check.start_channel
        if not _channels(entry):
            middle = self._find("test_channels", "middle")
            if check.side in ("receive", "transmit") and not goes_by_itself and middle is not None:
                self._put(entry, "channel", *middle)
            return
        for node in _channels(entry):
            if node.scalar not in CHANNEL_WORDS:
                continue
            found = self._find("test_channels", str(node.scalar))
            if found is None:
                node.spoiled = True
                self.complaints.append(self._no_channel(at, str(node.scalar)))
            else:
                node.text, node.scalar = found[1].text, found[1].scalar

    def _no_channel(self, at: int, word: str) -> Complaint:
        there = self._find("test_channels")
        known = [] if there is None else list(there[1].entries)
        place = self._model.source.where("test_channels" if there is not None else "model")
        return self._source.complain(
            ("checks", at, "channel"),
            f"the model {self._model.model.model} does not say which channel is {word!r} ({place})",
            found=word,
            allowed=f"{listed(known) or 'none'} of its 'test_channels', or a channel's number",
        )

    def _take_presets(self, at: int, entry: Node) -> None:
        """Take over on which channel the presets that an adjusting names are set; what one it states itself leaves out."""
        middle = self._find("test_channels", "middle")
        if of := _text(entry, "of"):
            for key, path in FILLED.get(of, {}).items():
                if key in _OF_PRESETS and (found := self._find(*path)) is not None:
                    self._put(entry, key, *found)
        for key, node in _presets(entry):
            named = str(node.scalar)
            if self._find("presets", named) is None:
                self.complaints.append(self._no_preset(at, key, named))
            elif (channel := self._find("presets", named, "channel")) is not None:
                self._put(entry, "channel", *channel)
        if middle is not None:
            self._put(entry, "channel", *middle)

    def ask_for_squelch(self, root: Node) -> None:
        """Have the squelch set where it closes, in a sequence that adjusts squelches and does nothing else."""
        entries = [entry for _, entry in _checks(root)]
        if not entries or not all(self._adjusts_squelch(entry) for entry in entries):
            return
        asked = root.entries.get("prepare")
        place = entries[0]
        node = _at(place, kind="mapping", entries={"confirm": (place, _scalar(place, SQUELCH_CLOSED))})
        items = [] if asked is None else asked[1].items
        root.entries["prepare"] = (
            _scalar(place, "prepare") if asked is None else asked[0],
            _at(place, kind="sequence", items=[*items, node]),
        )

    def _adjusts_squelch(self, entry: Node) -> bool:
        if _text(entry, "check") != "adjust":
            return False
        if of := _text(entry, "of"):
            return of == "squelch"
        named = [self._find("presets", str(node.scalar), "of") for _, node in _presets(entry)]
        return bool(named) and all(found is not None and found[1].scalar == "squelch" for found in named)

    def _no_preset(self, at: int, key: str, named: str) -> Complaint:
        known = list(self._model.model.presets)
        return self._source.complain(
            ("checks", at, key),
            f"the model {self._model.model.model} has no preset {named!r} ({self._model.source.where('presets')})",
            found=named,
            allowed=listed(known) or "none: this model states no 'presets'",
            hint=did_you_mean(named, known),
        )

    def _find(self, *path: str) -> tuple[Node, Node] | None:
        """Return key and value at ``path`` of the model file; None where it does not state them."""
        node, key = self._root, self._root
        for element in path:
            if element not in node.entries:
                return None
            key, node = node.entries[element]
        return key, node

    def _put(self, into: Node, key: str, key_node: Node, node: Node) -> None:
        """Put what the model states under a key that the sequence leaves out."""
        if key in into.entries or into.kind != "mapping":
            return
        origin = self._model.source
        into.entries[key] = (
            replace(key_node, text=key, scalar=key, origin=origin),
            replace(node, origin=origin),
        )


def _checks(root: Node) -> Iterator[tuple[int, Node]]:
    if root.kind != "mapping" or "checks" not in root.entries:
        return
    for at, entry in enumerate(root.entries["checks"][1].items):
        if entry.kind == "mapping" and _text(entry, "check"):
            yield at, entry


def _channels(entry: Node) -> list[Node]:
    """Return the values that stand for channels of a check, in order."""
    over = _axes(entry)
    if "channel" not in entry.entries and "channel" not in over:
        return []
    node = (over if "channel" in over else entry.entries)["channel"][1]
    return node.items if node.kind == "sequence" else [node]


def _modes(entry: Node) -> list[str]:
    """Return the emissions over which a check is repeated; none where it is made in one."""
    over = _axes(entry)
    return [str(node.scalar) for node in over["mode"][1].items] if "mode" in over else []


def _axes(entry: Node) -> dict[str, tuple[Node, Node]]:
    return entry.entries["at"][1].entries if "at" in entry.entries else {}


def _presets(entry: Node) -> list[tuple[str, Node]]:
    """Return the names of a model's presets that an adjusting asks for, each with its key; none where it states its own."""
    if "of" in entry.entries:
        return []
    found = [("preset", entry.entries["preset"][1])] if "preset" in entry.entries else []
    listed_ones = entry.entries["presets"][1].items if "presets" in entry.entries else []
    return [*found, *(("presets", node) for node in listed_ones)]


def _text(node: Node, key: str) -> str:
    if key not in node.entries:
        return ""
    found = node.entries[key][1].scalar
    return found if isinstance(found, str) else ""


def _scalar(place: Node, text: str) -> Node:
    return _at(place, kind="scalar", text=text, scalar=text)


def _at(place: Node, **made: object) -> Node:
    """Return a value that is made here of what stands at ``place``."""
    return Node(line=place.line, column=place.column, complete=True, **made)  # type: ignore[arg-type]


def _is_required(check: AnyCheck, key: str) -> bool:
    fields = check.settings.model_fields.items()
    return any(field.is_required() for name, field in fields if (field.alias or name) == key)
