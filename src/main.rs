//! The `tackfree` program: arguments, configuration, run, exit code.

use clap::{CommandFactory, Parser, Subcommand};
use std::io::IsTerminal;
use std::process::ExitCode;
use tackfree::api;
use tackfree::cli::database::DatabaseArguments;
use tackfree::cli::traces::Traces;
use tackfree::cli::{self, Refusal};
use tackfree::store::{Act, Doer};
use tracing_subscriber::Layer;
use tracing_subscriber::layer::SubscriberExt;
use tracing_subscriber::util::SubscriberInitExt;

/// Schedules the crews of a floor sanding-and-finishing contractor over all open houses.
#[derive(Debug, Parser)]
#[command(version, about, arg_required_else_help = true)]
struct Arguments {
    #[command(subcommand)]
    command: Command,
    #[command(flatten)]
    database: DatabaseArguments,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Serve the API, calendars and pages
    Serve(cli::serve::ServeArguments),
    /// Load an invented company, plan it, show its week, and serve it
    Demo(cli::demo::DemoArguments),
    /// Found a company and print the first token of its office
    Found(cli::found::FoundArguments),
    /// Add people who may sign in with a browser, or give them another password
    #[command(subcommand)]
    Person(cli::person::PersonCommand),
    /// Bring the database's schema up to date
    Migrate,
    /// Write everything of all companies into a file, while servers go on serving
    Backup(cli::backup::BackupArguments),
    /// Put a backup back into an empty database; all servers must be stopped
    Restore(cli::backup::RestoreArguments),
    /// Plan a planning file; needs no database
    Plan(cli::plan::PlanArguments),
    /// Print what every crew loads on a day of a plan; needs no database
    LoadList(cli::load_list::LoadListArguments),
    /// Have a plan audited against its planning file; needs no database
    CheckPlan(cli::plan::CheckArguments),
    /// Simulate a plan: will each house make its date, and what drives it; needs no database
    Chance(cli::chance::ChanceArguments),
    /// Turn a table or a document of the weather service into a forecast; needs no database
    Forecast(cli::forecast::ForecastArguments),
    /// Fetch new forecasts for all regions that have a gridpoint, of all companies
    FetchForecasts(cli::forecasts::WeatherArguments),
    /// Work out one of the trade's numbers from a question in a file; needs no database
    Calculate(cli::calculate::CalculateArguments),
    /// Make a region's usual air, for the days past its forecast, from past weather; needs no database
    Normals(cli::normals::NormalsArguments),
    /// Print the OpenAPI document of the service
    Openapi,
}

/// Documents are many small allocations, made by one thread and dropped by another.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let traces = match start_log(&arguments.command) {
        Ok(traces) => traces,
        Err(refusal) => return refusal.tell(),
    };
    let outcome = run(&arguments);
    if let Some(traces) = traces {
        traces.end();
    }
    match outcome {
        Ok(text) => {
            print!("{text}");
            ExitCode::SUCCESS
        }
        Err(refusal) => refusal.tell(),
    }
}

/// To standard error: text on a terminal, JSON elsewhere. `RUST_LOG` sets how much. Traces of a server go where it is told.
fn start_log(command: &Command) -> Result<Option<Traces>, Refusal> {
    let filter = cli::settings::log_filter()?;
    let traces = match command {
        Command::Serve(arguments) => arguments.watching.traces()?,
        _ => None,
    };
    let log = tracing_subscriber::fmt::layer().with_writer(std::io::stderr);
    let log = if std::io::stderr().is_terminal() { log.boxed() } else { log.json().boxed() };
    match &traces {
        // One filter for all costs less than one for each.
        None => tracing_subscriber::registry().with(log).with(filter).init(),
        Some(traces) => tracing_subscriber::registry().with(log.with_filter(filter)).with(traces.layer()).init(),
    }
    Ok(traces)
}

fn run(arguments: &Arguments) -> Result<String, Refusal> {
    let database = &arguments.database;
    if matches!(arguments.command, Command::Serve(_)) {
        for doubt in cli::settings::mistyped(&Arguments::command()).into_iter().chain(database.idle()) {
            eprintln!("note: {doubt}");
        }
    }
    match &arguments.command {
        Command::Plan(arguments) => cli::plan::plan(arguments),
        Command::LoadList(arguments) => cli::load_list::load_list_of_file(arguments),
        Command::CheckPlan(arguments) => cli::plan::check(arguments),
        Command::Chance(arguments) => cli::chance::chance(arguments),
        Command::FetchForecasts(arguments) => wait_for("fetch-forecasts", cli::forecasts::fetch(database, arguments)),
        Command::Forecast(arguments) => cli::forecast::forecast(arguments),
        Command::Calculate(arguments) => cli::calculate::calculate(arguments),
        Command::Normals(arguments) => cli::normals::normals(arguments),
        Command::Openapi => openapi(),
        Command::Serve(arguments) => wait_for("serve", cli::serve::serve(database, arguments)).map(|()| String::new()),
        Command::Demo(arguments) => wait_for("demo", cli::demo::demo(database, arguments)).map(|()| String::new()),
        Command::Person(command) => wait_for("person", cli::person::person(database, command)),
        Command::Migrate => wait_for("migrate", database.migrate()).map(|()| "the schema is up to date\n".to_owned()),
        Command::Backup(arguments) => wait_for("backup", cli::backup::back_up(database, arguments)),
        Command::Restore(arguments) => wait_for("restore", cli::backup::restore(database, arguments)),
        Command::Found(arguments) => wait_for("found", async {
            let database = database.open().await?;
            let founded = cli::found::found(&database.store, arguments).await;
            database.close().await;
            founded
        }),
    }
}

fn openapi() -> Result<String, Refusal> {
    let document = api::openapi().to_pretty_json();
    document.map(|json| json + "\n").map_err(|error| Refusal::new("openapi", error.to_string(), "report this defect"))
}

fn wait_for<T>(command: &str, work: impl Future<Output = Result<T, Refusal>>) -> Result<T, Refusal> {
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build();
    let runtime =
        runtime.map_err(|error| Refusal::new("no-threads", error.to_string(), "let the program start threads"))?;
    runtime.block_on(Act::new(Doer::Command, command, None).of(work))
}
