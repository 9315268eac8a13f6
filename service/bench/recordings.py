"""A recording of a struck stick as it was sent: read within bounds, its loudest channel fitted."""

import io
import threading

import numpy as np
import soundfile

from model import bench
from model.domain.arrays import Floats
from service.core import formats
from service.core.errors import InvalidInputError
from service.core.language import N_, _

MODES = ("bending_hz", "longitudinal_hz")
"""Which tone of the stick a recording may be of."""
LONGEST_SECONDS, MOST_SAMPLES, MOST_CHANNELS = 60, 6_000_000, 8
"""What a recording may hold; of one that says it is longer nothing is read."""
LARGEST = 12 * 1024 * 1024
"""Bytes: twenty seconds of two channels of 24 bits at 96 kHz."""
_AT_ONCE = threading.BoundedSemaphore(2)
"""A fit takes up to a second and a hundred megabytes: two at a time, whoever asks."""
_WHY = {
    "silent": N_("The recording is silent. Expected the sound of a stick that was struck once."),
    "clips": N_("The recording clips: its loudest parts are cut off. Turn the input down, or go further away."),
    "short": N_("The recording is too short. Let it go on until nothing is heard any more."),
    "noise": N_("There is only noise, no tone. Strike harder, go nearer, or find a quieter room."),
    "steady": N_("The tone does not die away. Expected a single blow, and then nothing but the stick."),
    "unclear": N_(
        "No single dying tone describes this sound: several tones beat, or somebody speaks. Hold the stick where the mode "
        "does not move, and strike it once."
    ),
    "no_sound": N_("The file holds values that are no sound."),
    "rate": N_("The recording has too few samples a second, or too many. Expected 8,000 to 192,000."),
}


def fit(content: bytes, mode: str) -> bench.DecayFit:
    """Return what a recording of one of `MODES` says.

    Raises `InvalidInputError`: at ``file``, with the reason where it says nothing; at ``mode`` where it is none of them.
    """
    if mode not in MODES:
        raise InvalidInputError([("mode", _("Choose which of the stick’s tones was recorded."))])
    if not content:
        raise _refused(_("Choose a recording first."))
    if len(content) > LARGEST:
        most = formats.number(LARGEST / 2**20, 0)
        raise _refused(_("The file is larger than {most} megabytes; cut out the blow alone.").format(most=most))
    with _AT_ONCE:
        sound, rate = _read(content)
        try:
            return bench.fit_decay(sound, rate)
        except bench.RecordingError as error:
            raise _refused(_(_WHY[error.reason])) from error


def _read(content: bytes) -> tuple[Floats, float]:
    """Return the loudest channel and the rate; by the header's own word nothing is read that is too long."""
    try:
        with soundfile.SoundFile(io.BytesIO(content)) as file:
            _check(file)
            sound = file.read(dtype="float64", always_2d=True)
            rate = float(file.samplerate)
    except soundfile.SoundFileError as error:
        raise _refused(_("This is no recording that can be read. Expected a WAV, FLAC or AIFF file.")) from error
    if not sound.size:
        raise _refused(_("The file holds no sound at all."))
    loudest = int(np.nan_to_num(sound**2).sum(axis=0).argmax())
    return np.ascontiguousarray(sound[:, loudest]), rate


def _check(file: soundfile.SoundFile) -> None:
    seconds = file.frames / max(file.samplerate, 1)
    if seconds > LONGEST_SECONDS or file.frames * file.channels > MOST_SAMPLES:
        sentence = _(
            "The recording is {seconds} seconds long; expected at most {most}: one blow until it has died away."
        )
        raise _refused(sentence.format(seconds=formats.number(seconds, 0), most=LONGEST_SECONDS))
    if file.channels > MOST_CHANNELS:
        raise _refused(_("The recording has {count} channels; expected one or two.").format(count=file.channels))


def _refused(sentence: str) -> InvalidInputError:
    return InvalidInputError([("file", sentence)])
