"""The figure `honesty`: what `honesty` measured, against chi-square bands, as lines and as a plot."""

import honesty
import numpy as np
from honesty import MOMENTS, NORMAL_95, WAYS, Judged
from scipy import stats
from setting import Line, Setting, at_least, note, spread

from lugwatch.simulator.boat import JOINTS

BOATS, PASSAGES = 8, 26
QUICK_BOATS, QUICK_PASSAGES = 2, 6
LOW_PERCENT, HIGH_PERCENT = 93.0, 97.0


def honesty_lines(setting: Setting) -> list[Line]:
    """Whether errors are as large as their deviations say: NEES, NIS, coverage of 95 % intervals."""
    boats, passages = setting.pick(BOATS, QUICK_BOATS), setting.pick(PASSAGES, QUICK_PASSAGES)
    found: list[Judged] = [
        judged
        for part in spread(honesty.judge, [(setting, seed, passages) for seed in range(1, 1 + boats)])
        for judged in part
    ]
    count = boats * passages
    lines = [at_least("seeded passages", count, 200, "", 0)] if not setting.quick else []
    for way, name in enumerate(WAYS):
        for moment, when in enumerate(MOMENTS):
            errors = np.array([s[2:] for j in found for s in j.settles if s[:2] == (moment, way)]).reshape(
                -1, 2
            )
            lines += coverage(f"settles at, said at {when}, {name}", errors, "K")
    rises = rise_errors(found)
    lines += coverage("rise coefficient over its reference", rises, "of itself")
    own = coverage("rise coefficient by its own current alone", rise_errors(found, 1), "of itself")
    lines += [note(line.what, line.reached) for line in own]
    nees = (rises[:, 0] / rises[:, 1]) ** 2
    lines.append(in_band("NEES of the rise coefficient", float(np.mean(nees)), count))
    means = [j.nis for j in found if j.nis is not None]
    lines.append(in_band("NIS, likeliest shape, under load", float(np.mean(means)), count))
    lines += [of_joint(joint.joint, found) for joint in JOINTS]
    if setting.plots is not None:
        plot(found, nees, setting, count)
    return lines


def rise_errors(found: list[Judged], truth: int = 0) -> np.ndarray:
    """(joint passages, 2): error and deviation as shares of the truth, one of two (`truth.py`)."""
    pairs = [
        ((j.rise - j.rise_true[truth]) / abs(j.rise_true[truth]), j.rise_sd / abs(j.rise_true[truth]))
        for j in found
        if j.rise is not None and j.rise_sd
    ]
    return np.array(pairs, dtype=float).reshape(-1, 2)


def coverage(what: str, errors: np.ndarray, unit: str) -> list[Line]:
    """How many 95 % intervals hold the truth, and how large errors and deviations are."""
    if not len(errors):
        return [Line(what=f"coverage: {what}", target="93 to 97 %", reached="nothing measured", met=False)]
    percent = 100.0 * float(np.mean(np.abs(errors[:, 0]) <= NORMAL_95 * errors[:, 1]))
    rms, bias = float(np.sqrt(np.mean(errors[:, 0] ** 2))), float(np.mean(errors[:, 0]))
    sd = float(np.sqrt(np.mean(errors[:, 1] ** 2)))
    nees = float(np.mean((errors[:, 0] / errors[:, 1]) ** 2))
    half = NORMAL_95 * float(np.median(errors[:, 1]))
    return [
        Line(
            what=f"coverage: {what}",
            target=f"{LOW_PERCENT:g} to {HIGH_PERCENT:g} %",
            reached=f"{percent:.1f} % of {len(errors)}",
            met=LOW_PERCENT <= percent <= HIGH_PERCENT,
        ),
        note("  error rms, mean; deviation rms", f"{rms:.3f}, {bias:+.3f}; {sd:.3f} {unit}"),
        note("  NEES; half a 95 % interval, median", f"{nees:.2f}; {half:.3f} {unit}"),
    ]


def in_band(what: str, mean: float, count: int) -> Line:
    """A mean of squares of unit normals. Joints of one passage share air and are not independent, so the
    band is that of as many squares as there were passages: chi-square, 95 %, over their number."""
    low, high = stats.chi2.ppf([0.025, 0.975], count) / count
    return Line(
        what=what, target=f"{low:.2f} to {high:.2f}", reached=f"{mean:.2f}", met=bool(low <= mean <= high)
    )


def of_joint(joint: str, found: list[Judged]) -> Line:
    """One joint over all boats."""
    mine = [j for j in found if j.joint == joint]
    errors = rise_errors(mine)
    if not len(errors):
        return note(joint, "no rise known")
    nis = [j.nis for j in mine if j.nis is not None]
    inside = 100.0 * np.mean(np.abs(errors[:, 0]) <= NORMAL_95 * errors[:, 1])
    return note(
        joint,
        f"NEES {np.mean((errors[:, 0] / errors[:, 1]) ** 2):.2f}, NIS {np.mean(nis):.2f}, rise covered "
        f"{inside:.0f} %, error mean {100 * np.mean(errors[:, 0]):+.1f} %, "
        f"rms {100 * np.sqrt(np.mean(errors[:, 0] ** 2)):.1f} %, said {100 * np.median(errors[:, 1]):.1f} %",
    )


def plot(found: list[Judged], nees: np.ndarray, setting: Setting, count: int) -> None:
    """NEES against chi-square, NIS of passages in its band, coverage at every level."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot

    assert setting.plots is not None
    figure, (left, middle, right) = pyplot.subplots(1, 3, figsize=(13.0, 4.2))
    levels = np.linspace(0.01, 0.99, 99)
    left.plot(stats.chi2.ppf(levels, 1), np.quantile(nees, levels), ".", color="C0")
    left.plot([0, 7], [0, 7], color="0.6", linewidth=0.8)
    left.set(title="NEES of the rise coefficient", xlabel="chi-square, 1 degree of freedom", ylabel="found",
             xlim=(0, 7), ylim=(0, 14))  # fmt: skip
    for row, joint in enumerate(JOINTS):
        nis = [j.nis for j in found if j.joint == joint.joint and j.nis is not None]
        middle.plot(np.full(len(nis), row), nis, ".", color="C1", alpha=0.4)
    windows = float(np.median([j.windows for j in found if j.windows]))
    for edge in stats.chi2.ppf([0.025, 0.975], windows) / windows:
        middle.axhline(edge, color="0.4", linewidth=0.8)
    middle.set(title="NIS, mean of each passage, and band", ylabel="1: as expected", yscale="log",
               xticks=range(len(JOINTS)))  # fmt: skip
    middle.set_xticklabels([j.joint for j in JOINTS], rotation=90, fontsize=7)
    curves = {"rise coefficient": rise_errors(found)}
    for way, name in enumerate(WAYS):
        for moment, when in enumerate(MOMENTS):
            pairs = [s[2:] for j in found for s in j.settles if s[:2] == (moment, way)]
            curves[f"settles, {when}, {name}"] = np.array(pairs).reshape(-1, 2)
    for name, errors in curves.items():
        if len(errors):
            standard = np.abs(errors[:, 0] / errors[:, 1])
            inside = [100 * np.mean(standard <= stats.norm.ppf(0.5 + level / 2)) for level in levels]
            right.plot(100 * levels, inside, label=name)
    right.plot([0, 100], [0, 100], color="0.6", linewidth=0.8)
    right.set(title=f"Intervals over {count} passages", xlabel="stated %", ylabel="that held the truth %")
    right.legend(fontsize=7)
    figure.tight_layout()
    figure.savefig(setting.plots / "honesty.png", dpi=130)
    pyplot.close(figure)
