//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueEnum};

/// Guards the frogs of a model railroad: proves the wiring, watches the sensors, cuts power before a contact burns.
#[derive(Debug, Parser)]
#[command(
    name = "checkrail",
    version,
    propagate_version = true,
    after_help = "Checkrail supervises. It does not replace a breaker, fuse or current-limited supply sized for the \
                  wiring.\nExit status: 0 done, 1 errors found, 2 input unreadable.",
    max_term_width = 100
)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// The commands.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Shows everything at work on a simulated layout, with a broker and a dashboard of its own.
    Demo(DemoArgs),
    /// Watches a layout: the daemon.
    Run(RunArgs),
    /// Shows live what arrives on every link, for bringing up a node; supervises and orders nothing.
    Listen(ListenArgs),
    /// Proves the wiring of a layout file.
    Check(CheckArgs),
    /// Computes short-circuit current, voltage drop, contact stress and coordination.
    Study(StudyArgs),
    /// Writes wiring sheets to print: terminals, wires, drawings and the bench test of every switch machine.
    Sheets(SheetsArgs),
    /// Runs the supervision over a recorded journal and prints what it decides, one JSON object a line.
    Replay(ReplayArgs),
    /// Proves a turnout in place, step by step, in the terminal; needs a running daemon.
    Commission(CommissionArgs),
    /// Lists, shows and exports recorded faults.
    Faults(FaultsArgs),
    /// Shows the ledger of each switch machine's contacts.
    Machines(MachinesArgs),
    /// Writes a report of a session: uptime, faults, alarms and their rates, machines due.
    Report(ReportArgs),
    /// Writes the journal of a simulated session, and the truth beside it.
    Simulate(SimulateArgs),
    /// Asks a Modbus device once and prints everything that its registers may mean.
    Probe(ProbeArgs),
    /// Asks a running daemon how it is: one line, and status 1 where it is not well.
    Health(HealthArgs),
    /// Prints the JSON Schema of the layout file, for editors.
    Schema,
    /// Prints a completion script for a shell.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Writes the manual pages into a folder.
    #[command(hide = true)]
    Manual {
        /// The folder.
        out: PathBuf,
    },
}

/// How a result is printed.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum TextOrJson {
    /// For people.
    Text,
    /// For programs.
    Json,
}

/// How a study is printed.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum StudyFormat {
    /// Tables for a terminal.
    Text,
    /// For programs.
    Json,
    /// One self-contained page with plots.
    Html,
    /// A SPICE netlist of the network.
    Spice,
}

/// How a fault is exported.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum ExportFormat {
    /// Everything, for programs.
    Json,
    /// The waveforms as a table.
    Csv,
    /// IEEE C37.111-2013, text samples.
    Comtrade,
    /// IEEE C37.111-2013, binary samples.
    ComtradeBinary,
}

/// `demo`.
#[derive(Args, Debug)]
pub struct DemoArgs {
    /// Address of the dashboard; port 0 picks a free one.
    #[arg(long, value_name = "IP:PORT", default_value = "127.0.0.1:8080")]
    pub listen: String,
    /// The same number gives the same trains and faults.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Railroad seconds per second.
    #[arg(long, value_name = "TIMES", default_value_t = 1.0)]
    pub speed: f64,
    /// What goes wrong: `on`, `off`, or scenario names separated by commas.
    #[arg(long, default_value = "on")]
    pub faults: String,
    /// Another layout than the Tamarrow Valley.
    #[arg(long)]
    pub layout: Option<PathBuf>,
    /// Use this broker instead of an embedded one, as `mqtt://host:1883`.
    #[arg(long, value_name = "URL")]
    pub broker: Option<String>,
    /// Operator token of the dashboard; one is made where none is given.
    #[arg(long)]
    pub token: Option<String>,
    /// Where the history of the demo goes; a folder that is removed at the end where none is given.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
}

/// `run`.
#[derive(Args, Debug)]
pub struct RunArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// Refuse to start while `check` has errors about the wiring.
    #[arg(long)]
    pub strict: bool,
    /// Address of the dashboard, instead of the layout file's.
    #[arg(long, value_name = "IP:PORT")]
    pub listen: Option<String>,
    /// Folder of the history, instead of the layout file's.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// Print log lines as JSON.
    #[arg(long)]
    pub log_json: bool,
}

/// `check`.
#[derive(Args, Debug)]
pub struct CheckArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// How to print.
    #[arg(long, value_enum, default_value = "text")]
    pub format: TextOrJson,
    /// Also print every frog in every position, what each detector sees, every assumed value and every setting.
    #[arg(long, short)]
    pub verbose: bool,
}

/// `study`.
#[derive(Args, Debug)]
pub struct StudyArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// How to print.
    #[arg(long, value_enum, default_value = "text")]
    pub format: StudyFormat,
    /// Write to this file instead of standard output.
    #[arg(long, short, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// With `--format spice`: the place of the short, as the other formats name it; the worst where none is given.
    #[arg(long, value_name = "PLACE")]
    pub at: Option<String>,
    /// The load whose voltage drop is studied.
    #[arg(long, value_name = "AMPS", default_value = "1 A")]
    pub train_load: String,
    /// Refuse a layout while `check` has errors about the wiring.
    #[arg(long)]
    pub strict: bool,
}

/// `sheets`.
#[derive(Args, Debug)]
pub struct SheetsArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// Folder for the pages: index.html, all.html and DISTRICT.html. It is made where there is none.
    #[arg(long, short, value_name = "FOLDER")]
    pub out: PathBuf,
    /// Date to print, as 2026-11-25; today where none is given.
    #[arg(long, value_name = "DAY")]
    pub date: Option<String>,
    /// Refuse a layout while `check` has errors about the wiring.
    #[arg(long)]
    pub strict: bool,
}

/// What `replay --help` says of comparing.
const COMPARING: &str = "\
With --protection the journal goes through the layout's own settings and through FILE's, and what would have tripped \
is printed side by side: which element, how long after the onset, and what it would have cost each contact. FILE takes \
[protection], [district.ID.protection], [block.ID.protection] and [machine.ID.protection], as the layout file does; \
what it does not name stays as it is.
A journal is open loop: after a cut in one run the recorded currents go on as they were recorded. So every fault is \
judged by its first cut, its cost is reckoned up to the moment in which that cut takes effect, and both runs begin \
afresh, contacts cold, when the fault is over.
Exit status with --protection: 0 FILE's settings protect no less, 1 with them a fault is not cut that the own settings \
cut, or only after its current came back, or a contact reaches 100 % that did not, or FILE has errors; 2 input unreadable.";

/// `replay`.
#[derive(Args, Debug)]
#[command(after_long_help = COMPARING)]
pub struct ReplayArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// The journal; `-` reads standard input.
    pub journal: PathBuf,
    /// Compare the layout's own settings with those of this file, in the grammar of `[protection]`.
    #[arg(long, value_name = "FILE", conflicts_with = "lockstep")]
    pub protection: Option<PathBuf>,
    /// How a comparison is printed.
    #[arg(long, value_enum, default_value = "text", requires = "protection")]
    pub format: TextOrJson,
    /// After each input line and all that it caused, print `{"done":N}` and flush.
    #[arg(long)]
    pub lockstep: bool,
    /// Refuse a layout while `check` has errors about the wiring.
    #[arg(long)]
    pub strict: bool,
}

/// `commission`.
#[derive(Args, Debug)]
#[command(
    after_help = "The operator token is read from CHECKRAIL_TOKEN, --token-file, or the file that the layout names."
)]
pub struct CommissionArgs {
    /// The layout file: it says where its daemon listens.
    pub layout: PathBuf,
    /// The switch machine; without one, the list of what is proved and what is due.
    pub machine: Option<String>,
    /// Only list what is proved and what is due.
    #[arg(long)]
    pub list: bool,
    /// Where the daemon listens, instead of the layout file's address.
    #[arg(long, value_name = "HOST:PORT")]
    pub at: Option<String>,
    /// Your name or initials; the user's name where none is given.
    #[arg(long, value_name = "NAME")]
    pub who: Option<String>,
    /// File with the operator token.
    #[arg(long, value_name = "FILE")]
    pub token_file: Option<PathBuf>,
}

/// `health`.
#[derive(Args, Debug)]
pub struct HealthArgs {
    /// Where the daemon listens.
    #[arg(long, value_name = "HOST:PORT", default_value = "127.0.0.1:8080")]
    pub at: String,
}

/// `faults`.
#[derive(Args, Debug)]
pub struct FaultsArgs {
    /// Folder of the history; `checkrail` in `$XDG_STATE_HOME` or `~/.local/state` where none is given.
    #[arg(long, value_name = "FOLDER", global = true)]
    pub data: Option<PathBuf>,
    /// What to do.
    #[command(subcommand)]
    pub command: FaultsCommand,
}

/// `faults …`.
#[derive(Debug, Subcommand)]
pub enum FaultsCommand {
    /// One line a fault, newest first.
    List {
        /// Only faults of this district.
        #[arg(long)]
        district: Option<String>,
        /// Only faults of this cause, as `short-circuit`.
        #[arg(long)]
        cause: Option<String>,
        /// Only faults with this first or named suspect, as `frog/T14`.
        #[arg(long)]
        suspect: Option<String>,
        /// Only faults from then on: `2026-11-25`, `2026-11-25 19:30`, or RFC 3339.
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// Only faults before then.
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
        /// At most this many.
        #[arg(long, default_value_t = 50)]
        most: usize,
        /// How to print.
        #[arg(long, value_enum, default_value = "text")]
        format: TextOrJson,
    },
    /// One fault: what happened, in order, with waveform, suspects and contact stress.
    Show {
        /// Its number; the newest where none is given.
        fault: Option<u32>,
        /// How to print.
        #[arg(long, value_enum, default_value = "text")]
        format: TextOrJson,
    },
    /// Writes one fault in an open format.
    Export {
        /// Its number.
        fault: u32,
        /// The format.
        #[arg(long = "as", value_enum)]
        format: ExportFormat,
        /// Write to this file, or for COMTRADE to this name with `.cfg` and `.dat`.
        #[arg(long, short, value_name = "FILE")]
        out: Option<PathBuf>,
    },
    /// Copies the whole history into a new file, while the daemon may be running.
    Backup {
        /// The new file.
        file: PathBuf,
    },
}

/// `report`.
#[derive(Args, Debug)]
pub struct ReportArgs {
    /// Start: `2026-11-25`, `2026-11-25 19:30`, or RFC 3339; the newest start of Checkrail where none is given.
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// End; now where none is given.
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Write to this file instead of standard output.
    #[arg(long, short, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value = "html")]
    pub format: ReportFormat,
    /// Folder of the history; `checkrail` in `$XDG_STATE_HOME` or `~/.local/state` where none is given.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
}

/// How a report is printed.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum ReportFormat {
    /// One self-contained page.
    Html,
    /// For programs.
    Json,
}

/// `machines`.
#[derive(Args, Debug)]
pub struct MachinesArgs {
    /// Folder of the history; `checkrail` in `$XDG_STATE_HOME` or `~/.local/state` where none is given.
    #[arg(long, value_name = "FOLDER")]
    pub data: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value = "text")]
    pub format: MachinesFormat,
}

/// How the ledger is printed.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum MachinesFormat {
    /// For people.
    Text,
    /// For programs.
    Json,
    /// For a spreadsheet.
    Csv,
}

/// `simulate`.
#[derive(Args, Debug)]
pub struct SimulateArgs {
    /// The layout file.
    #[arg(required_unless_present = "list")]
    pub layout: Option<PathBuf>,
    /// Lists what can go wrong, and what a good supervisor does about it.
    #[arg(long)]
    pub list: bool,
    /// The same number gives the same trains and faults.
    #[arg(long, default_value_t = 1)]
    pub seed: u64,
    /// Railroad hours.
    #[arg(long, default_value_t = 1.0)]
    pub hours: f64,
    /// Railroad minutes, instead of hours.
    #[arg(long, conflicts_with = "hours")]
    pub minutes: Option<f64>,
    /// Number of trains; by the size of the layout where not given.
    #[arg(long)]
    pub trains: Option<usize>,
    /// What goes wrong: `on`, `off`, or scenarios separated by commas, each with its second where wanted: `F01@20,F14`.
    #[arg(long, default_value = "on")]
    pub faults: String,
    /// Where to write: NAME.jsonl holds what sensors say, NAME.truth.jsonl what really happens.
    #[arg(long, short, value_name = "NAME", default_value = "simulated")]
    pub out: PathBuf,
}

/// `listen`.
#[derive(Args, Debug)]
#[command(
    after_help = "Beside a running daemon it hears the brokers as another client, and LCC without a word. A serial line \
                  cannot be shared: stop the daemon first.\nExit status: 0 all well, 1 something is silent, lost, down \
                  or not usable."
)]
pub struct ListenArgs {
    /// The layout file.
    pub layout: PathBuf,
    /// Ends after so many seconds; otherwise on Ctrl-C.
    #[arg(long, value_parser = clap::value_parser!(u64).range(1..=86_400))]
    pub seconds: Option<u64>,
    /// Show the channels of the layout that no node announced, too.
    #[arg(long)]
    pub all: bool,
    /// How to print: a table on a terminal and lines elsewhere, or one JSON object a line.
    #[arg(long, value_enum, default_value = "text")]
    pub format: TextOrJson,
}

/// `probe`.
#[derive(Args, Debug)]
#[command(
    after_help = "Addresses count from 0: register 40001 is --fn 3 --addr 0, register 30001 is --fn 4 --addr 0.\n\
                        Stop the daemon first: a serial line has one master."
)]
pub struct ProbeArgs {
    /// The serial device, or HOST:PORT of a Modbus TCP device or gateway.
    pub device: String,
    /// Unit number of the device.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=247))]
    pub unit: u8,
    /// Function: 1 coils, 2 inputs, 3 holding registers, 4 input registers.
    #[arg(long = "fn", default_value_t = 4, value_parser = clap::value_parser!(u8).range(1..=4))]
    pub function: u8,
    /// First address, counted from 0.
    #[arg(long, default_value_t = 0)]
    pub addr: u16,
    /// How many registers or bits.
    #[arg(long, default_value_t = 8, value_parser = clap::value_parser!(u16).range(1..=2000))]
    pub count: u16,
    /// Bits per second, on a serial line.
    #[arg(long, default_value_t = 19_200, value_parser = clap::value_parser!(u32).range(300..=4_000_000))]
    pub baud: u32,
    /// Parity, on a serial line.
    #[arg(long, value_enum, default_value = "even")]
    pub parity: ProbeParity,
    /// Stop bits, on a serial line.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=2))]
    pub stop: u8,
    /// How long to wait for the answer.
    #[arg(long, default_value = "1 s")]
    pub timeout: String,
}

/// Parity of a serial line.
#[derive(Clone, Copy, Debug, Eq, PartialEq, ValueEnum)]
pub enum ProbeParity {
    /// Even.
    Even,
    /// Odd.
    Odd,
    /// None.
    None,
}
