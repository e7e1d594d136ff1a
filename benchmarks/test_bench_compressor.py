"""The compressor's decision beside C built on the spot: the same loops, and the plain log10 and pow form.

CPU time on ten seconds of stereo at 48 kHz in blocks of 4096; `extra_info` has nanoseconds a frame and the
ratios to both (above 1: ours takes longer).
"""

import ctypes
import shutil
import subprocess
import time

import numpy as np
import pytest

from busproc.stages.base import Context, Heard
from busproc.stages.compressor import Compressor

RATE_HZ = 48000
BLOCK = 4096
BLOCKS = 10 * RATE_HZ // BLOCK
ROUNDS = 9

C_CODE = r"""
#include <math.h>
#include <string.h>
#include <stdint.h>
#define Q 4096
static const double OCTAVE = 6.020599913279624, R52 = 4503599627370496.0, ROUND = 6755399441055744.0;
static double level[Q], wanted[Q], t1[Q], t2[Q];

static void detect(const double *x, int n, int rms, double keep, double *mean) {
    if (!rms) {
        for (int i = 0; i < n; i++) { double a = fabs(x[2*i]), b = fabs(x[2*i+1]); level[i] = a > b ? a : b; }
        return;
    }
    double l = mean[0], r = mean[1], take = 1 - keep;
    for (int i = 0; i < n; i++) { t1[i] = take*x[2*i]*x[2*i]; t2[i] = take*x[2*i+1]*x[2*i+1]; }
    for (int i = 0; i < n; i++) { l = keep*l + t1[i]; r = keep*r + t2[i]; t1[i] = l; t2[i] = r; }
    for (int i = 0; i < n; i++) level[i] = t1[i] > t2[i] ? t1[i] : t2[i];
    mean[0] = l; mean[1] = r;
}

void loops(const double *x, double *gain, int n, int rms, double keep, double *memory, double threshold,
           double slope, double knee, double attack, double release) {
    detect(x, n, rms, keep, memory);
    double octave = rms ? OCTAVE/2 : OCTAVE, sum = rms ? OCTAVE/2 : 0, ln2 = 0.6931471805599453;
    for (int i = 0; i < n; i++) {
        uint64_t bits, lifted, w, m; double e, f;
        memcpy(&bits, &level[i], 8);
        lifted = bits + (0x3FF0000000000000ULL - 0x3FE6A09E667F3BCDULL);
        w = (lifted >> 52) | 0x4330000000000000ULL;
        m = (lifted & 0x000FFFFFFFFFFFFFULL) + 0x3FE6A09E667F3BCDULL;
        memcpy(&e, &w, 8); memcpy(&f, &m, 8);
        double s = (f - 1)/(f + 1), z = s*s, c = 2/ln2;
        double p = c + z*(c/3 + z*(c/5 + z*(c/7 + z*(c/9 + z*c/11))));
        double above = octave*((e - (R52 + 1023)) + s*p) + sum - threshold + 0.5*knee;
        double inside = above < 0 ? 0 : above; inside = inside > knee ? knee : inside;
        double over = above - knee; over = over < 0 ? 0 : over;
        wanted[i] = slope*(inside*inside*(0.5/knee) + over);
    }
    double now = memory[2], rise = 1 - attack, fall = 1 - release;
    for (int i = 0; i < n; i++) {
        double a = attack*now + rise*wanted[i], b = release*now + fall*wanted[i];
        now = a > b ? a : b;
        wanted[i] = now;
    }
    memory[2] = now;
    for (int i = 0; i < n; i++) {
        double o = wanted[i]*(-1/OCTAVE), r = o + ROUND, f = (o - (r - ROUND))*ln2;
        double p = 1 + f*(1 + f*(1/2. + f*(1/6. + f*(1/24. + f*(1/120. + f*(1/720. + f*(1/5040. + f*(1/40320.
                   + f/362880.))))))));
        uint64_t w, b; memcpy(&w, &r, 8); memcpy(&b, &p, 8); b += w << 52; memcpy(&gain[i], &b, 8);
    }
}

void plain(const double *x, double *gain, int n, int rms, double keep, double *memory, double threshold,
           double slope, double knee, double attack, double release) {
    for (int i = 0; i < n; i++) {
        double a = x[2*i], b = x[2*i+1], db;
        if (rms) {
            memory[0] = keep*memory[0] + (1-keep)*a*a; memory[1] = keep*memory[1] + (1-keep)*b*b;
            db = 10*log10(2*fmax(memory[0], memory[1]) + 1e-30);
        } else db = 20*log10(fmax(fabs(a), fabs(b)) + 1e-30);
        double over = db - threshold, want = 0;
        if (2*over >= knee) want = slope*over;
        else if (2*over > -knee) want = slope*(over + knee/2)*(over + knee/2)/(2*knee);
        double k = want > memory[2] ? attack : release;
        memory[2] = k*memory[2] + (1-k)*want;
        gain[i] = pow(10, -memory[2]/20);
    }
}
"""


@pytest.fixture(scope="module")
def c_library(tmp_path_factory):
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        pytest.skip("no C compiler here: nothing to compare with")
    folder = tmp_path_factory.mktemp("c")
    (folder / "compressor.c").write_text(C_CODE)
    subprocess.run(
        [compiler, "-O3", "-march=native", "-shared", "-fPIC", "-o", "compressor.so", "compressor.c", "-lm"],
        cwd=folder,
        check=True,
    )
    return ctypes.CDLL(str(folder / "compressor.so"))


def pointer(array):
    return array.ctypes.data_as(ctypes.POINTER(ctypes.c_double))


def in_c(function, plan, stage, block):
    gain, memory = np.empty(BLOCK), np.zeros(3)
    function.argtypes = [*[ctypes.POINTER(ctypes.c_double)] * 2, ctypes.c_int, ctypes.c_int, ctypes.c_double]
    function.argtypes += [ctypes.POINTER(ctypes.c_double), *[ctypes.c_double] * 5]
    arguments = (
        pointer(block),
        pointer(gain),
        BLOCK,
        int(stage.detector == "rms"),
        plan.rms_keep,
        pointer(memory),
        stage.threshold_dbfs,
        1 - 1 / plan.ratio,
        stage.knee_db,
        plan.ballistics.attack_keep,
        plan.ballistics.release_keep,
    )
    return lambda: function(*arguments), gain


@pytest.mark.parametrize("detector", ["peak", "rms"])
def test_the_decision_beside_c(benchmark, c_library, detector):
    """The gain is also held to the plain form's, so that all three do the same work."""
    stage = Compressor(detector=detector)
    plan, block = stage.plan(Context(RATE_HZ)), 0.3 * np.random.default_rng(1).standard_normal((BLOCK, 2))
    memory, heard = stage.memory(plan), Heard(block, {})
    loops, looped_gain = in_c(c_library.loops, plan, stage, block)
    plain, plain_gain = in_c(c_library.plain, plan, stage, block)
    loops()
    plain()
    np.testing.assert_allclose(stage.decide(plan, memory, heard), plain_gain, rtol=1e-9)
    np.testing.assert_allclose(looped_gain, plain_gain, rtol=1e-9)

    def ours():
        return stage.decide(plan, memory, heard)

    times = {ours: [], loops: [], plain: []}
    for _ in range(ROUNDS):
        for function, spent in times.items():  # in turn, so that other work falls on all alike
            start = time.process_time()
            for _ in range(BLOCKS):
                function()
            spent.append(time.process_time() - start)
    own_s, loops_s, plain_s = (min(spent) for spent in times.values())
    benchmark.pedantic(ours, rounds=ROUNDS, iterations=BLOCKS)
    benchmark.extra_info["ns_per_frame"] = round(own_s / (BLOCKS * BLOCK) * 1e9, 2)
    benchmark.extra_info["times_that_of_c_loops"] = round(own_s / loops_s, 2)
    benchmark.extra_info["faster_than_plain_c"] = round(plain_s / own_s, 2)
