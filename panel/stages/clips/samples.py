"""The samples of prepared clips, from the file store through a bounded cache."""

import io
import secrets
import threading

import numpy as np
from numpy.typing import NDArray
from sqlmodel import select

from panel.errors import NotFound
from panel.store.session import Store
from panel.store.tables import Clip

CACHE_BYTES = 256 * 2**20

_cache_lock = threading.Lock()


def clip_samples(
    store: Store, study_id: int, take_key: str, excerpt_key: str
) -> tuple[NDArray[np.float64], int]:
    """Samples (frames, channels) and rate of a clip; the array is shared: do not write to it.

    Raises NotFound where the clip has not been prepared.
    """
    with store.session() as s:
        clip = s.exec(
            select(Clip).where(
                Clip.study_id == study_id,
                Clip.take_key == take_key,
                Clip.excerpt_key == excerpt_key,
            )
        ).first()
    if clip is None:
        raise NotFound("This clip has not been prepared.", hint="Prepare the clips.")
    kept = _cached(store, clip.samples_key)
    if kept is None:
        kept = read_clip(store, clip.samples_key)
        _cache(store, clip.samples_key, kept)
    return kept, clip.rate


def read_clip(store: Store, key: str) -> NDArray[np.float64]:
    """The samples kept under a clip's key, past the cache; the array cannot be written to."""
    samples: NDArray[np.float64] = np.load(io.BytesIO(store.files.read(key)), allow_pickle=False)
    samples.setflags(write=False)
    return samples


def write_clip(
    store: Store, study_id: int, take_key: str, excerpt_key: str, samples: NDArray[np.float64]
) -> str:
    """Keep the samples of a clip under a key of their own; returns the key."""
    key = f"clip/{study_id}/{take_key}-{excerpt_key}-{secrets.token_hex(8)}.npy"
    out = io.BytesIO()
    np.save(out, np.ascontiguousarray(samples, dtype=np.float64), allow_pickle=False)
    store.files.write(key, out.getvalue())
    return key


def _cached(store: Store, key: str) -> NDArray[np.float64] | None:
    with _cache_lock:
        kept: dict[str, NDArray[np.float64]] = store.clips.setdefault("samples", {})
        found: NDArray[np.float64] | None = kept.pop(key, None)
        if found is not None:
            kept[key] = found  # now the most recently used
        return found


def _cache(store: Store, key: str, samples: NDArray[np.float64]) -> None:
    with _cache_lock:
        kept: dict[str, NDArray[np.float64]] = store.clips.setdefault("samples", {})
        kept[key] = samples
        while len(kept) > 1 and sum(array.nbytes for array in kept.values()) > CACHE_BYTES:
            kept.pop(next(iter(kept)))
