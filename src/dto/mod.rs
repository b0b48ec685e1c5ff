//! The wire: the shapes that REST bodies, planning files and plan files are made of, and the one way from them to the
//! nouns of `domain` and back. Documents are read to the end: every fault is told with pointer, code, reason and cure.
//! No I/O, no clock, no planning.
//!
//! | module | what |
//! |---|---|
//! | `planning_file`, `write` | everything known at one instant: to a situation and back |
//! | `plan`, `placement`, `blocker`, `violation` | plans and back; what the audit says of them |
//! | `guess` | where a plan rests on weather that nobody has forecast |
//! | `settings`, `region`, `normals`, `house`, `crew`, `calendar`, `spells` | nouns, and when they are not as usual |
//! | `past_weather` | a table of hours that have been, of which normals are made |
//! | `event` | what happened, each thing told once |
//! | `method`, `job`, `step`, `wait`, `gate`, `history` | chains and what happened on them |
//! | `meter`, `verdict`, `prediction` | what a check asks, what its readings come to, when a failed floor will pass |
//! | `chance` | what a simulation of a plan says |
//! | `treat_again` | how a chain grows when a check fails |
//! | `load_list`, `load_list_text` | what a crew takes along, and how that is printed |
//! | `customer_dates` | what the customer may do when, and the letter |
//! | `supplies` | what a step uses up and needs at hand |
//! | `work`, `rolling` | how much work a step is; the two parts of a treatment that are rolled in sections |
//! | `section_plan` | such a treatment, second by second, as it is shown |
//! | `chain`, `sites`, `names` | from written chains to judged ones; keys to indices |
//! | `json`, `scalar`, `fault` | text, small values, and how faults are located |
//! | `warnings`, `limits` | what no single document shows |

mod blocker;
mod calendar;
mod chain;
mod chance;
mod crew;
mod customer_dates;
mod event;
mod fault;
mod gate;
mod guess;
mod history;
mod house;
mod job;
mod json;
mod limits;
mod load_list;
mod load_list_text;
mod meter;
mod method;
mod names;
mod normals;
mod own_chain;
mod past_weather;
mod placement;
mod plan;
mod planning_file;
mod prediction;
mod region;
mod rolling;
mod scalar;
mod section_plan;
mod settings;
mod sites;
mod spells;
mod step;
mod supplies;
mod treat_again;
mod verdict;
mod violation;
mod wait;
mod warnings;
mod work;
mod write;

#[cfg(test)]
mod tests;

pub use blocker::{BlockerDto, CauseDto, StepRefDto};
pub use calendar::{CalendarDto, ExceptionDto, WeekWindowDto, WeekdayDto, WindowDto};
pub use chance::{
    ChanceModelDto, ChancesDto, DriverDto, DriverKindDto, HouseChanceDto, JobChanceDto, OverrunDto, treat_again,
};
pub use crew::{CrewDto, EquipmentDto};
pub use customer_dates::{CHANGES, CustomerDatesDto, CustomerLetterDto, KeepOffDto, day_and_time};
pub(crate) use event::in_one_order;
pub use event::{
    CheckFailed, CrewAdded, CrewAway, CrewBack, CrewShort, DueMoved, EVENT_BYTES_MAX, EVENT_KINDS, EquipmentAdded,
    Event, EventBody, ForecastReplaced, HappeningDto, Heard, Hearing, HoursChanged, HouseAdded, HouseClosed,
    HouseOpened, JobAdded, JobCancelled, JobFinished, JobGrown, JobHeld, JobReopened, MachineBroken, MachineMended,
    ReWet, ReadingsTaken, ReleaseMoved, StepFinished, StepPaused, StepPinned, StepStarted,
};
pub(crate) use fault::{At, Faults};
pub use fault::{FAULTS_MAX, FaultDto, Located, NOTE_CHARS_MAX};
pub use gate::{FilmDto, GateDto};
pub use guess::{BeyondDto, GuessDto};
pub use history::{HistoryDto, OutcomeDto};
pub(crate) use house::{AIR_CENTI_C, RH_CENTI_PERCENT, air_readings};
pub use house::{AirReadingDto, AreaDto, HouseAirDto, HouseDto, LocationDto};
pub use job::{JobDto, PinDto};
pub use json::read_json;
pub use load_list::{
    CautionDto, ContainersDto, CrewLoadDto, HouseLoadDto, ItemNeedDto, LoadListDto, LoadTotalsDto, LoadWork, MixedDto,
    ProductNeedDto, ProductTotalDto, WorkLoadDto, load_list,
};
pub use load_list_text::{wrapped, wrapped_after};
pub use meter::{MeterDto, MeterKindDto, OnFailDto, ReadingDto, SpeciesShiftDto, area_readings};
pub(crate) use meter::{needed_per_1000_sqft, points_max};
pub use method::{MethodDto, built_in_method, built_in_methods};
pub use names::{Names, Table};
pub use normals::NormalsDto;
pub use past_weather::{PAST_WEATHER_BYTES_MAX, PastWeather, read_past_weather};
pub use placement::{GearDto, PieceDto, PlacedStateDto, PlacementDto, PublishedDto};
pub(crate) use placement::{cause, gear};
pub(crate) use plan::plan_remarks;
pub use plan::{
    PLAN_FORMAT, PlanCostDto, PlanDto, UnplacedDto, parse_plan_file, plan_from_dto, plan_to_dto, plan_to_json,
};
pub use planning_file::{
    FILE_BYTES_MAX, METHODS_MAX, PLANNING_FORMAT, Parsed, PlanningFile, STEPS_MAX, WAY_MINUTES_MAX, WayDto, assemble,
    parse_planning_file, situation_of,
};
pub use prediction::{OutlookDto, PredictionDto};
pub use region::{ForecastDto, ForecastHourDto, RegionDto};
pub(crate) use scalar::local;
pub use section_plan::{
    ActDto, DoingDto, PartDto, RolledTreatment, SectionDto, SectionFloorDto, SectionPlanDto, rolled_treatments,
    section_plan,
};
pub use settings::{CostDto, RepairsDto, SettingsDto, TravelDto};
pub use spells::{AbsenceDto, ClosureDto, OutageDto, ShortHandedDto};
pub use step::{StepDto, StepKindDto, StepOverrideDto};
pub use supplies::{CareDto, ITEMS_MAX, ItemDto, ItemUseDto, MixDto, PRODUCTS_MAX, ProductBaseDto, ProductDto};
pub use treat_again::{Grown, TREAT_AGAIN_MAX};
pub use verdict::{AreaVerdictDto, FindingDto, SpotDto, SubfloorVerdictDto, VerdictDto};
pub use violation::ViolationDto;
pub use wait::{OnExceedDto, WaitDto, WaitKindDto, WaitMaxDto, WaitOverrideDto};
pub use work::{MinutesByApplicatorsDto, RollingDto};
pub use write::{planning_file, write_planning_file};
