//! Private audio servers for tests: each has its own folder and socket, touches nothing of the user's, and is ended
//! by its own process id when dropped.
//!
//! The libraries under test find their server by environment variables, which a process cannot safely change for
//! itself; so the work runs in a second process ([`Server::run_inside`]): the same test binary, one ignored test.
#![allow(dead_code, clippy::print_stdout)] // figures and skipped tests are printed

use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};
use tempfile::TempDir;

/// Set by [`Server::run_inside`]; the inner tests do nothing without it.
pub const INSIDE: &str = "LOUDENOUGH_TEST_SERVER_PID";
/// Longest start of a server.
const START_WAIT: Duration = Duration::from_secs(15);
/// Longest wait for a server that was asked to end.
const END_WAIT: Duration = Duration::from_secs(3);
/// Rate of every private server, Hz.
pub const RATE: u32 = 48_000;
/// Level at which the limiter of [`Server::pulse`] holds samples, dB re full scale.
pub const LIMIT_DB: f64 = -12.0;

/// A running server.
pub struct Server {
    child: Child,
    command: Command,
    /// Answers once the server is ready.
    probe: (&'static str, &'static [&'static str]),
    _folder: TempDir,
    env: Vec<(String, String)>,
}

impl Drop for Server {
    /// Asks it to end first: a JACK server that is killed keeps its place in a registry of eight until the next boot.
    fn drop(&mut self) {
        let _ = Command::new("kill").arg(self.pid().to_string()).status();
        let began = Instant::now();
        while matches!(self.child.try_wait(), Ok(None)) && began.elapsed() < END_WAIT {
            std::thread::sleep(Duration::from_millis(20));
        }
        self.kill();
    }
}

impl Server {
    /// A PulseAudio server with a null sink `bench` (48 kHz, stereo, float) and, in front of it, a sink `limited` whose
    /// LADSPA hard limiter holds samples at [`LIMIT_DB`]. ALSA names: `bench_out`, `bench_in`, `limited_out`.
    pub fn pulse() -> Result<Server, String> {
        Server::pulse_at(RATE, "auto")
    }

    /// The same at another rate and with this resampler; never changes to a stream's rate, as an idle sink would.
    pub fn pulse_at(rate: u32, resampler: &str) -> Result<Server, String> {
        Server::pulse_with(rate, resampler, &[])
    }

    /// A server that meddles: a sink `swapped` that turns left and right round and a sink `controlled` behind a LADSPA
    /// compressor (2:1 over −28 dB), both in front of `bench`. ALSA names with `_out`.
    pub fn meddling() -> Result<Server, String> {
        if !Path::new("/usr/lib/ladspa/sc1_1425.so").exists() {
            return Err("sc1_1425.so is missing".into());
        }
        Server::pulse_with(RATE, "auto", &MEDDLING)
    }

    fn pulse_with(rate: u32, resampler: &str, more: &[(&str, &str)]) -> Result<Server, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
        std::fs::create_dir_all(at("cfg/pulse")).map_err(|e| e.to_string())?;
        // By default the kernel ends a server whose real-time thread is busy for 0.2 s, as it can be on a loaded machine.
        let rates = format!("default-sample-rate = {rate}\nalternate-sample-rate = {rate}\n");
        write(&at("daemon.conf"), &format!("{rates}resample-method = {resampler}\nrlimit-rttime = -1\n"))?;
        let pcm = |name: &str| {
            format!("pcm.{name}_out {{ type pulse device \"{name}\" hint {{ show on description \"{name} out\" }} }}\n")
        };
        let pcms: String = more.iter().map(|(name, _)| pcm(name)).collect();
        write(&at("asound.conf"), &(ASOUND.to_string() + &pcms))?;
        let mut env = vec![
            ("PULSE_SERVER".into(), format!("unix:{}", at("native"))),
            ("PULSE_COOKIE".into(), at("cfg/pulse/cookie")),
            ("PULSE_RUNTIME_PATH".into(), at("")),
            ("XDG_CONFIG_HOME".into(), at("cfg")),
            ("ALSA_CONFIG_PATH".into(), at("asound.conf")),
        ];
        let mut command = Command::new("pulseaudio");
        command
            .args(["-n", "--daemonize=no", "--use-pid-file=no", "--exit-idle-time=-1"])
            .args(["-L", &format!("module-native-protocol-unix socket={} auth-anonymous=1", at("native"))])
            .args(["-L", &format!("module-null-sink sink_name=bench rate={rate} channels=2 format=float32le")]);
        if Path::new("/usr/lib/ladspa/hard_limiter_1413.so").exists() {
            command.args([
                "-L",
                &format!(
                    "module-ladspa-sink sink_name=limited sink_master=bench plugin=hard_limiter_1413 \
                     label=hardLimiter control={LIMIT_DB},1,0"
                ),
            ]);
            env.push(("LOUDENOUGH_TEST_LIMITER".into(), "1".into()));
        }
        for (_, module) in more {
            command.args(["-L", module]);
        }
        command.env("LADSPA_PATH", "/usr/lib/ladspa").env("PULSE_CONFIG", at("daemon.conf"));
        Server::start(command, ("pactl", &["info"]), folder, env)
    }

    /// A PipeWire server with its session manager and its PulseAudio side, as a desktop has them: a null sink `bench` (48 kHz,
    /// stereo, float) and, where the plugin is there, a sink `limited` in front of it as in [`Server::pulse`], made of a filter
    /// chain. The same ALSA names.
    pub fn pipewire() -> Result<Server, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        let at = |name: &str| folder.path().join(name).to_string_lossy().into_owned();
        for name in ["run", "cfg", "state"] {
            std::fs::create_dir_all(at(name)).map_err(|e| e.to_string())?;
        }
        let plugin = "/usr/lib/ladspa/hard_limiter_1413.so";
        let limiter = if Path::new(plugin).exists() { PIPEWIRE_LIMITER } else { "" };
        let limiter = limiter.replace("PLUGIN", plugin).replace("LIMIT", &LIMIT_DB.to_string());
        write(&at("pipewire.conf"), &PIPEWIRE.replace("MORE", &limiter))?;
        write(&at("asound.conf"), ASOUND)?;
        let mut env = vec![
            ("XDG_RUNTIME_DIR".into(), at("run")),
            ("PIPEWIRE_RUNTIME_DIR".into(), at("run")),
            ("XDG_CONFIG_HOME".into(), at("cfg")),
            ("XDG_STATE_HOME".into(), at("state")),
            // Made by the first of PulseAudio's own programs that asks; without one the server refuses.
            ("PULSE_COOKIE".into(), at("cfg/pulse/cookie")),
            ("HOME".into(), at("")),
            ("PULSE_SERVER".into(), format!("unix:{}", at("run/pulse/native"))),
            ("ALSA_CONFIG_PATH".into(), at("asound.conf")),
        ];
        if !limiter.is_empty() {
            env.push(("LOUDENOUGH_TEST_LIMITER".into(), "1".into()));
        }
        // Four programs with one end.
        let (bus, config) = (at("bus"), at("pipewire.conf"));
        env.push(("DBUS_SESSION_BUS_ADDRESS".into(), format!("unix:path={bus}")));
        let all = format!(
            "trap 'kill $all; exit' TERM; dbus-daemon --session --nofork --address=unix:path={bus} & all=$!; \
             pipewire -c {config} & all=\"$all $!\"; sleep 0.3; wireplumber & all=\"$all $!\"; pipewire-pulse & \
             all=\"$all $!\"; wait"
        );
        let mut command = Command::new("sh");
        command.args(["-c", &all]);
        Server::start(command, ("pactl", &["info"]), folder, env)
    }

    /// True where the server has the sink `limited`.
    pub fn has_limiter(&self) -> bool {
        self.env.iter().any(|(name, _)| name == "LOUDENOUGH_TEST_LIMITER")
    }

    /// A JACK server on its dummy driver (48 kHz, blocks that a busy machine keeps up with).
    pub fn jack() -> Result<Server, String> {
        let folder = tempfile::tempdir().map_err(|e| e.to_string())?;
        let name = format!("loudenough-{}", std::process::id());
        let env = vec![
            ("JACK_DEFAULT_SERVER".into(), name.clone()),
            ("JACK_NO_START_SERVER".into(), "1".into()),
            ("JACK_NO_AUDIO_RESERVATION".into(), "1".into()),
        ];
        let mut command = Command::new("jackd");
        command.args(["-r", "-n", &name, "-d", "dummy", "-r", "48000", "-p", "2048"]);
        Server::start(command, ("jack_lsp", &[]), folder, env)
    }

    fn start(
        mut command: Command,
        probe: (&'static str, &'static [&'static str]),
        folder: TempDir,
        env: Vec<(String, String)>,
    ) -> Result<Server, String> {
        command.envs(env.iter().map(|(name, value)| (name, value)));
        command.stdin(Stdio::null()).stdout(Stdio::null()).stderr(Stdio::null());
        let child = spawn(&mut command)?;
        let mut server = Server { child, command, probe, _folder: folder, env };
        server.wait_until_ready()?;
        Ok(server)
    }

    /// Starts it again, in the same place, after [`Server::kill`].
    pub fn restart(&mut self) -> Result<(), String> {
        self.child = spawn(&mut self.command)?;
        self.wait_until_ready()
    }

    /// Kills the server at once.
    pub fn kill(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    /// Process id.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Environment in which programs reach this server and no other.
    pub fn env(&self) -> impl Iterator<Item = (&str, &str)> {
        self.env.iter().map(|(name, value)| (name.as_str(), value.as_str()))
    }

    /// Runs one ignored test of this very binary against the server; panics with its output unless it passes.
    pub fn run_inside(&self, test: &str) -> Output {
        let once = || {
            Command::new(std::env::current_exe().unwrap())
                .args(["--exact", test, "--ignored", "--nocapture"])
                .envs(self.env())
                .env(INSIDE, self.pid().to_string())
                .output()
                .unwrap()
        };
        let mut output = once();
        // On a busy machine a private server drops a fresh stream now and then (seen 3 times in some 40 openings).
        if String::from_utf8_lossy(&output.stderr).contains("snd_pcm_avail_delay") {
            output = once();
        }
        let (out, err) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
        assert!(output.status.success() && out.contains("1 passed"), "{test} failed:\n{out}\n{err}");
        output
    }

    fn wait_until_ready(&mut self) -> Result<(), String> {
        let (probe, args) = self.probe;
        let began = Instant::now();
        while began.elapsed() < START_WAIT {
            if let Ok(Some(status)) = self.child.try_wait() {
                return Err(format!("the server ended at once ({status})"));
            }
            let mut command = Command::new(probe);
            command.args(args).envs(self.env()).stdout(Stdio::null()).stderr(Stdio::null());
            match command.status() {
                Ok(status) if status.success() => return Ok(()),
                Ok(_) => std::thread::sleep(Duration::from_millis(100)),
                Err(error) => return Err(format!("{probe} is missing ({error})")),
            }
        }
        Err("the server did not answer".into())
    }
}

/// Tells why a test is skipped, or fails where nothing may be skipped.
pub fn skipped(what: &str, why: &str) {
    assert!(std::env::var_os("LOUDENOUGH_REQUIRE_AUDIO").is_none(), "{what} is required here: {why}");
    println!("skipped: {what}: {why}");
}

fn spawn(command: &mut Command) -> Result<Child, String> {
    let name = command.get_program().to_string_lossy().into_owned();
    command.spawn().map_err(|error| format!("{name} is missing ({error})"))
}

fn write(path: &str, text: &str) -> Result<(), String> {
    std::fs::write(path, text).map_err(|error| format!("{path}: {error}"))
}

/// Name and module of each sink of [`Server::meddling`]. The compressor: attack and release in ms, threshold in dB, ratio,
/// knee in dB, gain in dB.
const MEDDLING: [(&str, &str); 2] = [
    (
        "swapped",
        "module-remap-sink sink_name=swapped master=bench channels=2 channel_map=front-left,front-right \
         master_channel_map=front-right,front-left remix=no",
    ),
    (
        "controlled",
        "module-ladspa-sink sink_name=controlled sink_master=bench plugin=sc1_1425 label=sc1 control=100,400,-28,2,1,0",
    ),
];

const ASOUND: &str = r#"</usr/share/alsa/alsa.conf>
pcm.bench_out { type pulse device "bench" hint { show on description "loop out" } }
pcm.bench_in { type pulse device "bench.monitor" hint { show on description "loop in" } }
pcm.limited_out { type pulse device "limited" hint { show on description "limited out" } }
"#;

const PIPEWIRE: &str = r#"
context.properties = {
    core.daemon = true
    core.name = pipewire-0
    default.clock.rate = 48000
    default.clock.allowed-rates = [ 48000 ]
    default.clock.quantum = 1024
}
context.spa-libs = {
    audio.convert.* = audioconvert/libspa-audioconvert
    support.* = support/libspa-support
}
context.modules = [
    { name = libpipewire-module-protocol-native }
    { name = libpipewire-module-metadata }
    { name = libpipewire-module-spa-node-factory }
    { name = libpipewire-module-client-node }
    { name = libpipewire-module-access }
    { name = libpipewire-module-adapter }
    { name = libpipewire-module-link-factory }
    { name = libpipewire-module-session-manager }
    MORE
]
context.objects = [
    { factory = spa-node-factory args = {
        factory.name = support.node.driver node.name = clock node.group = pipewire.dummy priority.driver = 20000 } }
    { factory = adapter args = {
        factory.name = support.null-audio-sink node.name = bench node.description = "loop" media.class = Audio/Sink
        audio.rate = 48000 audio.position = [ FL FR ] monitor.channel-volumes = true object.linger = true } }
]
"#;

const PIPEWIRE_LIMITER: &str = r#"{ name = libpipewire-module-filter-chain args = {
        node.description = "limited"
        filter.graph = { nodes = [
            { type = ladspa name = limiter plugin = "PLUGIN" label = hardLimiter
              control = { "dB limit" = LIMIT "Wet level" = 1.0 "Residue level" = 0.0 } }
        ] }
        audio.rate = 48000 audio.channels = 2 audio.position = [ FL FR ]
        capture.props = { node.name = limited media.class = Audio/Sink }
        playback.props = { node.name = limited.out node.passive = true target.object = bench }
    } }"#;
