"""The desks: foreign devices between player and recorder, with what a session on each must and must not say.

A desk is (name, options of desk.sh, truth, must say, must not say); both last are regular expressions on everything that the
program prints. The truths are of `run.py --truth`: aplay, arecord and numpy, without the bench.
"""

from dataclasses import dataclass, field


@dataclass
class Desk:
    name: str
    options: list
    truth: str
    must: list = field(default_factory=list)
    must_not: list = field(default_factory=list)
    run: list = field(default_factory=list)
    # The path check instead of a session.
    check: bool = False
    # A swap of this output with a second one (desk.sh -o, -O) instead of a session.
    swap: bool = False
    ci: bool = False
    ends: bool = True


LIMIT = ["-d", "hard_limiter_1413 hardLimiter -12,1,0"]
FOUND_12 = [r"−1(1\.9[5-9]|2\.0[0-5]) "]
# Combined sinks resample a little on their own.
ABOUT_12 = [r"−1(1\.[89]|2\.[01])\d "]
SAME = r"no\s+difference\s+of\s+response\s+larger\s+than\s+0\.0\d\s+dB\s+from\s+20\s+Hz\s+to\s+20\s+kHz"
NO_CLIP = [r"[Nn]o (limit|clipping)"]
CLIPS = [r"it clips", r"clips from"]
CLEAN = [r"clean up to full scale", r"[Nn]o clipping up to full scale"]


def hard(db):
    return ["-d", f"hard_limiter_1413 hardLimiter {db},1,0"]


def hum(*tones, db):
    mix = " ".join(f"synth sine {'' if i == 0 else 'mix '}{hz}" for i, hz in enumerate(tones))
    synth = f"sox -q -n -t f32 -r 48000 -c 2 - {mix} vol {db}dB"
    return ["-b", f"{synth} | pacat -d bench --raw --format=float32le --channels=2 --rate=48000"]


DESKS = [
    # As everybody's.
    Desk("plain", [], "gain 0.00, nothing added", NO_CLIP, CLIPS + ["−inf", "NaN", "−∞"], ci=True),
    Desk("limit", LIMIT, "c −12.00 / −12.00", FOUND_12, ["asymmetr", "input overload"]),
    Desk("chain", ["-d", "amp_1181 amp 6", *hard(-6), "-d", "amp_1181 amp -3"], "gain +3, c −12.00", FOUND_12),
    Desk("volume_half", [*LIMIT, "-x", "pactl set-sink-volume bench 50%"], "gain −18.06, c −12.00", FOUND_12, [r"−30\.0"]),
    Desk("s16", ["-f", "s16le", *LIMIT], "16 bit without dither, c −12.00", [*FOUND_12, "resolution"], ["output distorts"]),
    Desk("asym", ["-d", "const_1909 const 0.1", *LIMIT, "-d", "dc_remove_1207 dcRemove"], "c+ −16.41, c− −9.09",
         [r"(positive\s+|\+ )−16\.4", r"at least −15|−9\.[01]"], [r"−12\.0"]),
    Desk("hum", [*LIMIT, *hum(50, 100, 150, db=-45)], "c −12.00; hum", [*FOUND_12, "[Hh]um"], ["volume has changed"], ci=True),
    Desk("agc", ["-d", "sc4m_1916 sc4m 0,10,400,-24,4,3,6"], "gain +6 to −24, −9.8 at 0", [r"[Aa]utomatic\s+gain|gain.*(moves|follows)|gain\s+control"],
         CLEAN + [r"equivalent hard limit"], ends=False, ci=True),
    Desk("clock_p100", [*LIMIT, "-s", "rate -v 48004.8"], "capture clock +100 ppm, c −12.00", [*FOUND_12, r"\+?100\.00|\+?99\.99"]),
    Desk("rate44", ["-r", "44100", *LIMIT], "44.1 kHz inside, c −12.00", ["[Rr]esampled|44\\.1"], [r"−9\.5"]),
    Desk("suspend", ["-b", "sleep $DESK_AT; pactl suspend-sink bench 1; sleep .3; pactl suspend-sink bench 0"],
         "125 ms lost, nothing says so", NO_CLIP, CLIPS),
    Desk("server_dies", ["-b", "sleep $DESK_AT; kill -9 $DESK_PULSE_PID"], "the server is killed",
         ["run --continue"], ["panicked", CLEAN[0]], ends=False, ci=True),
    # Hard limits of other sizes and places.
    Desk("limit_3", hard(-3), "c −3.00", [r"−(2\.9[5-9]|3\.0[0-5]) "]),
    Desk("limit_20", hard(-20), "c −20.00", [r"−(19\.9[5-9]|20\.0[0-5]) "], ci=True),
    Desk("limit_noise", [*LIMIT, "-b", "sox -q -n -t f32 -r 48000 -c 2 - synth whitenoise vol -80dB | pacat -d bench --raw --format=float32le --channels=2 --rate=48000"],
         "c −12.00 under white noise of −85 dBFS", FOUND_12),
    Desk("limit_lowpass", [*LIMIT, "-d", "lowpass_iir_1891 lowpass_iir 15000,2"], "c −12.00, then a low-pass at 15 kHz", FOUND_12, ["44\\.1"]),
    Desk("limit_highpass", [*LIMIT, "-d", "highpass_iir_1890 highpass_iir 20,2"], "c −12.00, then a high-pass at 20 Hz", FOUND_12),
    Desk("limit_inverted", [*LIMIT, "-d", "inv_1429 inv"], "c −12.00, inverted", FOUND_12),
    Desk("limit_left", ["-L", "hard_limiter_1413 hardLimiter -12,1,0", "-R", "amp_1181 amp 0"], "left c −12.00, right none",
         ABOUT_12, CLEAN),
    Desk("limit_right", ["-L", "amp_1181 amp 0", "-R", "hard_limiter_1413 hardLimiter -12,1,0"], "right c −12.00, left none",
         ABOUT_12, CLEAN, ci=True),
    Desk("lowpass_limit", ["-d", "lowpass_iir_1891 lowpass_iir 12000,2", *LIMIT], "a low-pass before the limit",
         ["clips|limit"], CLEAN),
    Desk("limit_48_44", [*LIMIT, "-s", "rate -v 44100 rate -v 48000"], "c −12.00, the capture resampled to 44.1 and back", ["[Rr]esampled|44\\.1"]),
    # Smooth devices: distortion, no limit.
    Desk("valve_weak", ["-d", "valve_1209 valve 0.05,0.1"], "second harmonic about −60 dB", [], []),
    Desk("valve_strong", ["-d", "valve_1209 valve 0.5,0.5"], "second and third, grows with level", [], CLEAN),
    Desk("overdrive", ["-d", "foverdrive_1196 foverdrive 1.2"], "smooth saturation", [], CLEAN),
    Desk("chebstortion", ["-d", "chebstortion_1430 chebstortion 0.1"], "polynomial with an envelope, never silent", [], CLEAN, ends=False),
    Desk("crossover", ["-d", "crossover_dist_1404 crossoverDist 0.001,0.5"], "dead zone of 0.001", [], []),
    Desk("diode", ["-d", "diode_1185 diode 1"], "half-wave rectifier: even order of −4 dB at every level", ["look for a damaged"], CLEAN[:1], ends=False),
    Desk("shaper", ["-d", "shaper_1187 shaper 1.1"], "x to the power of 1.1", [], CLEAN, ends=False),
    Desk("wavewrap", ["-d", "sinus_wavewrapper_1198 sinusWavewrapper 1.0"], "sine of x: folds", [], CLEAN),
    # What moves.
    Desk("lookahead", ["-d", "fast_lookahead_limiter_1913 fastLookaheadLimiter 0,-12,0.1"], "limits at −12 with look-ahead",
         ["limiter|gain"], CLEAN, ends=False, ci=True),
    Desk("lookahead_slow", ["-d", "fast_lookahead_limiter_1913 fastLookaheadLimiter 0,-12,1.5"], "the same, slow release", ["limiter|gain"], CLEAN, ends=False),
    Desk("compressor_soft", ["-d", "sc4m_1916 sc4m 0,50,800,-20,2,6,0"], "2:1 over −20, slow", ["gain"], CLEAN, ends=False),
    Desk("satan", ["-d", "satan_maximiser_1408 satanMaximiser 30,-20"], "maximiser over −20", [], CLEAN),
    Desk("bits8", ["-d", "decimator_1202 decimator 8,48000"], "8 bit", ["resolution"], ["it clips"]),
    Desk("bits12", ["-d", "decimator_1202 decimator 12,48000"], "12 bit", ["resolution"], ["it clips"]),
    Desk("codec", ["-d", "gsm_1215 gsm 1,1,0"], "a speech codec", [], CLEAN, ends=False),
    Desk("delay_1s", ["-d", "fad_delay_1192 fadDelay 1.0,-70", *LIMIT], "1 s of delay, c −12.00", []),
    # Routes.
    Desk("mono", [*LIMIT, "-c", "1"], "one channel", FOUND_12),
    Desk("swapped", [*LIMIT, "-x", "load module-remap-sink sink_name=sw master=$out channels=2 channel_map=front-left,front-right master_channel_map=front-right,front-left remix=no; out=sw"],
         "left and right exchanged, c −12.00", FOUND_12),
    Desk("quiet_out", [*LIMIT, "-x", "pactl set-sink-volume bench 10%"], "gain −60, c −12.00", FOUND_12),
    Desk("muted", ["-x", "pactl set-sink-mute bench 1"], "nothing arrives", ["exactly zero|nothing was heard"], CLEAN + CLIPS, ends=False),
    # What happens in mid-session.
    Desk("volume_moves", ["-b", "sleep $DESK_AT; pactl set-sink-volume bench 70%"], "gain −9.3 from one moment on", ["volume|gain"], CLEAN, ends=False, ci=True),
    Desk("clicks", [*LIMIT, "-b", "sox -q -n -t f32 -r 48000 -c 2 - synth 0.001 square 1000 pad 0 7 repeat 60 vol -20dB | pacat -d bench --raw --format=float32le --channels=2 --rate=48000"],
         "a click every 7 s, c −12.00", FOUND_12),
    Desk("other_program", [*LIMIT, "-b", "sleep $DESK_AT; sox -q -n -t f32 -r 48000 -c 2 - synth 6 pluck vol -20dB | pacat -d bench --raw --format=float32le --channels=2 --rate=48000"],
         "another program sounds for 6 s, c −12.00", FOUND_12),
    Desk("spur", [*LIMIT, *hum(1003.90625, db=-95)], "a steady tone of −98 dBFS, c −12.00", FOUND_12, ["even-order distortion of"]),
    Desk("stalled", ["-b", "sleep $DESK_AT; kill -STOP $DESK_PULSE_PID; sleep 2; kill -CONT $DESK_PULSE_PID"], "the server stands still for 2 s", NO_CLIP, CLIPS),
    Desk("moved", [*LIMIT, "-b", "sleep $DESK_AT; pactl load-module module-null-sink sink_name=other; for i in $(pactl list short sink-inputs | cut -f1); do pactl move-sink-input $i other; done"],
         "the stream is moved to another sink", [], CLEAN, ends=False),
    # More devices.
    Desk("gate", ["-d", "gate_1410 gate 33.6,23520,-50,30,500,1000,-90,0"], "a gate at −50", [], CLIPS, ends=False),
    Desk("foldover", ["-d", "foldover_1213 foldover 0.3,0"], "folds smoothly", [], CLEAN),
    Desk("declip", ["-d", "declip_1195 declip"], "bends over 0.7", [], CLEAN),
    Desk("dyson", ["-d", "dyson_compress_1403 dysonCompress -10,0.25,0.5,0.5"], "a compressor", ["gain"], CLEAN, ends=False),
    Desk("valve_sag", ["-d", "valve_rect_1405 valveRect 0.5,0.5"], "a rectifier's sag and a valve", [], CLEAN, ends=False),
    Desk("second_1", ["-d", "harmonic_gen_1220 harmonicGen 1,0.01,0,0,0,0,0,0,0,0"], "second harmonic of 1 % at full scale", [], CLIPS),
    Desk("sc1", ["-d", "sc1_1425 sc1 20,200,-20,4,3,0"], "4:1 over −20", ["gain"], CLEAN, ends=False),
    Desk("tremolo", ["-d", "ringmod_1188 ringmod_1i1o1l 0.2,5,1,0,0,0"], "a gain that moves at 5 Hz", [r"gain that moves|automatic\s+gain"], [], ends=False),
    Desk("comb", [*LIMIT, "-d", "comb_1190 comb 600,0.4"], "c −12.00, then a comb filter", FOUND_12),
    Desk("delay_1900", ["-d", "fad_delay_1192 fadDelay 1.9,-70", *LIMIT], "1.9 s of a delay that adds −35 dB of its own, c −12.00", ["in doubt", r"−1[12]\.\d+ ±"]),
    Desk("clock_m500", [*LIMIT, "-s", "rate -v 47976"], "capture clock −500 ppm: a wrong rate", ["ppm apart"], CLEAN + CLIPS, ends=False),
    Desk("rate96", ["-r", "96000", *LIMIT], "96 kHz inside, limit on its samples", ABOUT_12),
    Desk("u8", ["-f", "u8", *LIMIT], "8 bit without dither, c −12.00", ["resolution"], []),
    Desk("eq_limit", ["-d", "mbeq_1197 mbeq 0,0,6,6,0,0,0,0,-6,-6,0,0,6,6,6", *LIMIT], "an equaliser of ±6 dB before the limit",
         ["limit with memory|limit\\s+that\\s+depends"], CLEAN, ends=False),
    Desk("limit_eq", [*LIMIT, "-d", "mbeq_1197 mbeq 0,0,6,6,0,0,0,0,-6,-6,0,0,6,6,6"], "c −12.00, then an equaliser of ±6 dB", FOUND_12),
    Desk("limit_tone", [*LIMIT, "-s", "bass +12 treble -6"], "c −12.00, then tone controls of +12 and −6 dB", FOUND_12),
    Desk("limit_loudness", [*LIMIT, "-s", "loudness -10"], "c −12.00, then a loudness filter", FOUND_12),
    Desk("limit_dither", [*LIMIT, "-s", "dither -p 16"], "c −12.00, then 16 bit with dither", FOUND_12),
    Desk("resonance_limit", ["-d", "svf_1214 svf 1,2000,0.3,0", *LIMIT], "a resonant low-pass at 2 kHz before the limit", ["not\\s+determined"], CLEAN, ends=False),
    Desk("width_limit", ["-d", "matrix_spatialiser_1422 matrixSpatialiser 50", *LIMIT], "stereo width: −3.24 dB, so c −8.76", [r"−8\.(7[3-9]|6\d|8[0-5]) "]),
    Desk("overdrive_behind", ["-s", "overdrive 6 0"], "smooth saturation in the capture", [], CLEAN, ends=False),
    Desk("compand_behind", ["-s", "compand 0.01,0.2 -70,-70,-20,-20,0,-10 0 -90 0.01"], "2:1 over −20 in the capture, which breathes by thousandths of a dB below", ["limiter or a\\s+gain\\s+control|automatic\\s+gain"], ["0\\.00 dB apart", *CLEAN], ends=False),
    Desk("tremolo_behind", ["-s", "tremolo 0.3 3"], "a gain that moves at 0.3 Hz", ["in\\s+doubt", r"automatic\s+gain"], [], ends=False),
    Desk("alias", ["-d", "alias_1407 alias 0.3"], "aliasing: 14 % of distortion at every level", ["look for a damaged"], [], ends=False),
    Desk("divider", ["-d", "divider_1186 divider 2"], "an octave divider: mostly distortion", ["look for a damaged|not\\s+determined"], CLEAN, ends=False),
    Desk("transient", ["-d", "transient_1206 transient 0.5,0"], "reshapes attacks from −12 dBFS of noise on", ["gain\\s+control"], CLEAN, ends=False),
    Desk("mono_cancelled", ["-d", "karaoke_1409 karaoke -50"], "what both sides share is 50 dB down", ["does not\\s+reach|does\\s+not reach"], CLIPS),
    Desk("pitch", ["-d", "pitch_scale_1193 pitchScale 1.05"], "5 % higher", ["not that noise"], CLEAN + CLIPS, ends=False),
    Desk("speed_behind", [*LIMIT, "-s", "rate -v 48960"], "the capture 2 % fast", ["not that noise|ppm apart"], CLEAN + CLIPS, ends=False),
    Desk("phaser", ["-d", "phasers_1217 lfoPhaser 0.5,0.5,0.3,1"], "a phaser: the delay wanders", ["moves|effect"], CLEAN + CLIPS, ends=False),
    Desk("reverb_behind", ["-s", "reverb 30"], "reverberation behind: repetitions differ while it builds up", ["reverberation|[Nn]o (limit|clipping)"], CLIPS, ends=False),
    Desk("check_plain", [], "nothing in the way", ["shows no fault"], ["doubt  "], check=True),
    Desk("check_agc", ["-d", "sc4m_1916 sc4m 0,10,400,-24,4,3,6"], "automatic gain", ["automatic gain"], ["shows no fault"], check=True, ends=False),
    Desk("check_lookahead", ["-d", "fast_lookahead_limiter_1913 fastLookaheadLimiter 0,-20,0.1"], "limits at −20 with look-ahead", ["limiter|gain"], ["shows no fault"], check=True, ends=False),
    Desk("check_mono", ["-c", "1"], "one channel", ["mono"], ["shows no fault"], check=True, ends=False),
    Desk("check_codec", ["-d", "gsm_1215 gsm 1,1,0"], "a speech codec", ["codec"], ["shows no fault"], check=True, ends=False, ci=True),
    Desk("check_dc", ["-d", "const_1909 const 0.05"], "a constant offset of 0.05", ["(5\\.0|4\\.9)\\d %"], ["wait for quiet", "shows no fault", "faded out"], check=True, ends=False, ci=True),
    Desk("check_dead", ["-L", "amp_1181 amp 0", "-R", "amp_1181 amp -70"], "the right channel is dead", ["right"], ["shows no fault"], check=True, ends=False),
    Desk("check_inverted", ["-L", "amp_1181 amp 0", "-R", "inv_1429 inv"], "the right channel is inverted", ["polarity"], ["shows no fault"], check=True, ends=False),
    # Two outputs by turns.
    Desk("swap_same", ["-o", "-"], "both are wires", [SAME],
         [r"Distortion:.*\bby ", "could be"], swap=True),
    Desk("swap_volume", ["-o", "amp_1181 amp -7"], "the second 7 dB quieter",
         [SAME, r"second: drive −33\.0"], [r"Distortion:.*\bby "], swap=True, ci=True),
    Desk("swap_dip", ["-o", "single_para_1203 singlePara -1,1000,1"], "the second 1 dB less at 1 kHz, an octave wide",
         [r"the\s+largest\s+found\s+is\s+−(0\.[6-9]|1\.[01])", "Could be audible"], [], swap=True),
    Desk("swap_limit", ["-o", "hard_limiter_1413 hardLimiter -45,1,0"], "the second clips at −45 dBFS, some 20 dB under the peaks",
         [r"the round did not finish", r"not what was predicted"], ["Response"], swap=True, ends=False),
    Desk("swap_clock", ["-O", "rate -v 48004.8"], "the second on a clock of its own, +100 ppm",
         [SAME], [r"wrong rate"], swap=True),
]
