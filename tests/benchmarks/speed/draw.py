"""What drawing costs beside ffmpeg alone at the same encoder settings.

Run from the checkout: ``python -m tests.benchmarks.speed.draw [--seconds 20] [--repeats 5]``, or
with ``draw``, ``pair``, ``layer`` or ``moviepy`` for one part. Exit code 1 when a bar is missed.

- draw: three gauges, beside a plain transcode.
- pair: a split-screen with seven gauges, beside a plain split-screen.
- layer: the three gauges with transparency, beside a plain transcode of the same pictures.
- moviepy: draw and pair as moviepy composes them, on the clip's first seconds; no bar, for scale.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

from overlay.render.alpha import encoder_arguments
from overlay.render.encoder import EncodeOptions, choose_encoder, ffmpeg_path
from tests.benchmarks.speed.cost import (
    MEMORY_BAR,
    RATE_HZ,
    ROOT,
    Row,
    compare,
    make_footage,
    report,
)

DRAW_BAR, PAIR_BAR = 1.10, 1.15
MOVIEPY_S = 6.0
PARTS = ("draw", "pair", "layer", "moviepy")
ENCODER = choose_encoder(EncodeOptions()).arguments
LAYERS = {"layer, ProRes 4444": ".mov", "layer, VP9 with alpha": ".webm"}


def job(name: str, source: Path, target: Path) -> list[str]:
    """The command of one job of work.py."""
    module = "tests.benchmarks.speed.work"
    return [sys.executable, "-m", module, name, str(source), str(target)]


def plain(source: Path, target: Path) -> list[str]:
    """A transcode of the picture, sound copied."""
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(source), *ENCODER]
    return [*command, "-c:a", "copy", "-movflags", "+faststart", str(target)]


def plain_pair(source: Path, target: Path) -> list[str]:
    """A split-screen of a clip with itself, sound mixed."""
    pane = "scale=960:540,setsar=1,pad=960:1080:0:270"
    graph = f"[0:v]{pane}[a];[1:v]{pane}[b];[a][b]hstack[v];[0:a][1:a]amix=inputs=2[s]"
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(source), "-i", str(source)]
    command += ["-filter_complex", graph, "-map", "[v]", "-map", "[s]", "-c:a", "aac"]
    return [*command, *ENCODER, "-movflags", "+faststart", str(target)]


def plain_layer(pictures: Path, target: Path) -> list[str]:
    """A transcode of pictures that have their transparency already."""
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(pictures)]
    return [*command, *encoder_arguments(target.suffix), str(target)]


def layer_rows(source: Path, folder: Path, seconds: float, repeats: int) -> list[Row]:
    """The gauges alone, in both kinds."""
    made, pictures = folder / "made.mov", folder / "pictures.mov"
    subprocess.run(job("layer", source, made), cwd=ROOT, check=True)
    command = [ffmpeg_path(), "-v", "error", "-y", "-i", str(made), "-c:v", "qtrle"]
    subprocess.run([*command, "-pix_fmt", "argb", str(pictures)], check=True)
    return [
        compare(
            name,
            job("layer", source, folder / f"result{suffix}"),
            plain_layer(pictures, folder / f"floor{suffix}"),
            pictures=RATE_HZ * seconds,
            repeats=repeats,
        )
        for name, suffix in LAYERS.items()
    ]


def rows(
    folder: Path, *, seconds: float, repeats: int, parts: tuple[str, ...] = PARTS
) -> list[Row]:
    """Measure the parts named."""
    source, result = make_footage(folder / "source.mp4", seconds), folder / "result.mp4"
    found = []
    for name, floor, bar in (("draw", plain, DRAW_BAR), ("pair", plain_pair, PAIR_BAR)):
        if name in parts:
            what = {"draw": "draw, 3 gauges", "pair": "pair, 7 gauges"}[name]
            command = job(name, source, result)
            found.append(
                compare(
                    what,
                    command,
                    floor(source, folder / "floor.mp4"),
                    pictures=RATE_HZ * seconds,
                    repeats=repeats,
                    bar=bar,
                    memory_bar=MEMORY_BAR,
                )
            )
        if "moviepy" in parts:
            length_s = min(MOVIEPY_S, seconds)
            short = make_footage(folder / "short.mp4", length_s)
            found.append(
                compare(
                    f"{name} by moviepy",
                    job(f"moviepy-{name}", short, result),
                    floor(short, folder / "floor.mp4"),
                    pictures=RATE_HZ * length_s,
                    repeats=1,
                )
            )
    if "layer" in parts:
        found += layer_rows(source, folder, seconds, max(1, repeats // 2))
    return found


def main() -> int:
    """Measure, print the table; see the module's text for the exit code."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=[*PARTS, []], help="all by default")
    parser.add_argument("--seconds", type=float, default=20)
    parser.add_argument("--repeats", type=int, default=5)
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        return report(
            rows(
                Path(folder),
                seconds=chosen.seconds,
                repeats=chosen.repeats,
                parts=tuple(chosen.parts) or PARTS,
            )
        )


if __name__ == "__main__":
    sys.exit(main())
