"""The demo's invented measurements: ``python -m tests.demo_logs`` writes them into the demo's folder.

The demo's car, as it really is, differs from what ``car.toml`` and the sheets state; how it differs stands here
(`TRUTH`) and in no file that the program reads. Runs and coast-downs are integrated over time by
`tests.run.independent_run` with a tolerance of 1e-10, which shares no code with the simulator, in air and wind that are
not quite those that the crew wrote down; then instruments add their noise, and all is saved as a crew would have it.
"""

from __future__ import annotations

import pathlib
from collections.abc import Iterator
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from scipy.integrate import solve_ivp
from scipy.interpolate import CubicHermiteSpline

from optimizer.choice.options import options_of
from optimizer.run.conditions import conditions_of
from optimizer.run.inputs import RunInputs
from optimizer.run.model import RunModel
from optimizer.scenario.event import Scenario, Weather
from optimizer.scenario.parts import CurvePoints, Engine, Tire
from optimizer.scenario.reading import read_scenario
from tests.run.independent_run import OneCar, State, independent_run

DEMO = pathlib.Path(__file__).parent.parent / "catalogs_demo" / "thrennel_flat"
SEED = 12
MPH, KMH, INCH, INHG, POUND, MILE = 0.44704, 1 / 3.6, 0.0254, 3386.389, 0.45359237, 1609.344


@dataclass(frozen=True)
class Truth:
    """What the car really is: factors on what is stated, and the salt's rolling coefficient where it was run."""

    drag_area: float = 1.06
    power: float = 0.98
    circumference: float = 0.993
    rolling_coefficient: float = 0.0262


TRUTH = Truth()
TIRE, ENGINE, SALT = "T12", "E01", "ordinary"


@dataclass(frozen=True)
class Noted:
    """One run, or one way of a coast-down, with the day as the crew wrote it down."""

    date: str
    name: str
    way: str
    temperature_f: float
    pressure_inhg: float
    humidity: float
    wind_mph: float
    wind_from: float
    mass_lb: float
    counted: bool = True
    note: str = ""


RUNS = (
    Noted("2027-09-18", "1", "out", 66, 26.47, 0.34, 4, 230, 1853, note="first with the car as it is"),
    Noted("2027-09-18", "2", "back", 79, 26.44, 0.24, 3, 245, 1846, counted=False,
          note="lifted before the last board: oil light"),
    Noted("2027-09-19", "3", "out", 63, 26.52, 0.38, 3, 215, 1853, note="logger on"),
    Noted("2027-09-19", "4", "back", 71, 26.50, 0.30, 5, 45, 1848, note="wind has turned"),
)  # fmt: skip
LOGGED = 2
COASTS = (
    Noted("2027-09-19", "coast", "out", 76, 26.48, 0.26, 2, 320, 1846),
    Noted("2027-09-19", "coast", "back", 76, 26.48, 0.26, 2, 320, 1846),
)
SLIP_HEADER = (
    "date,run,direction,salt,speed [mph],mile 1 [mph],mile 2 [mph],rpm,gear,air temperature [F],"
    "station pressure [inHg],humidity [%],wind [mph],wind from,mass [lb],counted,note"
)
LIFTED_MS = 6.0 * MPH
"""What lifting cost the run that does not count."""


# --- the car and the day as they really are


def true_scenario(scenario: Scenario, truth: Truth = TRUTH) -> Scenario:
    """The scenario with the truth in place of what is stated."""
    engine, tire = scenario.parts[ENGINE], scenario.parts[TIRE]
    assert isinstance(engine, Engine)
    assert isinstance(tire, Tire)
    curve = CurvePoints(engine.curve.rpm, tuple(truth.power * each for each in engine.curve.torque_nm))
    parts = {
        **scenario.parts,
        ENGINE: replace(engine, curve=curve),
        TIRE: replace(tire, circumference_m=truth.circumference * tire.circumference_m),
    }
    salt = replace(scenario.event.salts[SALT], rolling_coefficient=truth.rolling_coefficient)
    return replace(
        scenario,
        car=replace(scenario.car, drag_area_m2=truth.drag_area * scenario.car.drag_area_m2),
        parts=MappingProxyType(parts),
        event=replace(scenario.event, salts=MappingProxyType({**scenario.event.salts, SALT: salt})),
    )


def weather_of(noted: Noted) -> Weather:
    """The day as it was written down."""
    return Weather(
        pressure_pa=noted.pressure_inhg * INHG,
        temperature_k=(noted.temperature_f + 459.67) / 1.8,
        humidity=noted.humidity,
        wind_ms=noted.wind_mph * MPH,
        wind_from_deg=noted.wind_from,
    )


def true_weather(noted: Noted, rng: np.random.Generator) -> Weather:
    """The day as it was: instruments at the line are a little off, and the wind is not the same all along."""
    said = weather_of(noted)
    return replace(
        said,
        pressure_pa=said.pressure_pa + rng.normal(0.0, 0.01) * INHG,
        temperature_k=said.temperature_k + rng.normal(0.0, 0.5),
        wind_ms=max(0.0, said.wind_ms + rng.normal(0.0, 0.5) * MPH),
        wind_from_deg=said.wind_from_deg + rng.normal(0.0, 6.0),
    )


def inputs_on(scenario: Scenario, noted: Noted, weather: Weather) -> RunInputs:
    """Inputs of the car as it stands on one day, going one way, as heavy as it was then."""
    course = scenario.event.course
    bearing = course.bearing_deg + (180.0 if noted.way == "back" else 0.0)
    event = replace(
        scenario.event,
        weather=(weather,),
        course=replace(course, bearing_deg=bearing),
        scoring=replace(scenario.event.scoring, runs=1),
    )
    options = options_of(replace(scenario, event=event, car=replace(scenario.car, mass_kg=noted.mass_lb * POUND)))
    return RunModel(options).inputs(options.encode({})[None], conditions_of(event, SALT)[0])


# --- runs and coast-downs


@dataclass(frozen=True)
class Sample:
    """The car at one moment of a run."""

    time_s: float
    speed_ms: float
    distance_m: float
    rpm: float
    wheel_ms: float


def sampled_run(car: OneCar, last_gear: int, end_m: float, step_s: float) -> Iterator[Sample]:
    """Moments of a run that ends in a gear, ``step_s`` apart where nothing ends between them."""
    state, marks, over = State(0.0, car.start, 0.0), (2.0 * end_m, end_m), False
    for gear in range(-1, last_gear + 1):
        clutch, in_gear = gear < 0, max(gear, 0)
        limit = car.surface(car.rev_limit_rpm, in_gear)
        target = car.surface(car.launch_rpm, 0) if clutch else car.surface(car.shift_rpms[gear], gear)
        target = limit if gear == last_gear else target
        done = False
        while not done:
            slip = car.full_throttle(state.speed, in_gear, clutch)[1]
            wheel = state.speed * (1.0 + slip)
            rpm = car.launch_rpm if clutch else car.rpm(wheel, gear)
            yield Sample(state.time, state.speed, state.distance, rpm, wheel)
            if over:
                return
            state, why = car.integrate(
                state, marks, lambda u, g=in_gear, c=clutch: car.full_throttle(u, g, c)[0],
                [lambda u, g=in_gear, c=clutch, at=target: car.wheel_speed(u, g, c) - at], longest=step_s,
            )  # fmt: skip
            done, over = why == 0, why == -1
        if gear == last_gear:
            break
        if not clutch:
            before = state
            state, _ = car.coast(state, marks)
            yield in_the_pause(before, state, (car.rpm(before.speed, gear), car.rpm(state.speed, gear + 1)))
    while state.distance < end_m:
        yield Sample(state.time, state.speed, state.distance, car.rev_limit_rpm, limit)
        state, why = car.integrate(state, marks, lambda u: car.on_limiter(u, limit), [], longest=step_s)
        if why == -1:
            break
    yield Sample(state.time, state.speed, end_m, car.rev_limit_rpm, limit)


def in_the_pause(before: State, after: State, rpm: tuple[float, float]) -> Sample:
    """The middle of a shift: the wheels follow the ground, and the engine is on its way down."""
    half = [(getattr(before, name) + getattr(after, name)) / 2.0 for name in ("time", "speed", "distance")]
    return Sample(half[0], half[1], half[2], sum(rpm) / 2.0, half[1])


def mile_times(samples: list[Sample], miles: int) -> list[float]:
    """Times at whole miles, by cubics through the samples."""
    time, seen = [], -1.0
    for each in samples:
        if each.time_s > seen:
            time.append(each)
            seen = each.time_s
    curve = CubicHermiteSpline([e.time_s for e in time], [e.distance_m for e in time], [e.speed_ms for e in time])
    return [float(curve.solve(n * MILE, extrapolate=False)[0]) for n in range(1, miles + 1)]


def coasting(car: OneCar, from_ms: float, times: np.ndarray) -> np.ndarray:
    """Speeds of the car out of gear: drag and rolling against car, wheels and what turns with the final drive."""
    mass = car.translating_kg + car.wheel_side_kg + car.shaft_kgm2 * (car.final_ratio / car.radius_m) ** 2

    def slope(_t: float, y: np.ndarray) -> list[float]:
        drag, rolling, _ = car.against(float(y[0]))
        return [-(drag + rolling) / mass]

    found = solve_ivp(slope, (0.0, float(times[-1])), [from_ms], method="DOP853", rtol=1e-10, atol=1e-10, t_eval=times)
    return found.y[0]


# --- as a crew would have them


def slips(scenario: Scenario, rng: np.random.Generator) -> tuple[str, list[Sample]]:
    """The sheet of timing slips, and the moments of the run that was logged."""
    lines = [
        "# our timing slips of last September, two days; the car as it stands",
        SLIP_HEADER,
    ]
    logged: list[Sample] = []
    course = scenario.event.course
    end = course.run_up_m + course.timed_m
    for place, noted in enumerate(RUNS):
        inputs = inputs_on(scenario, noted, true_weather(noted, rng))
        run = independent_run(inputs, (course.run_up_m, end), "mean")
        car = OneCar(inputs)
        samples = list(sampled_run(car, run.gear, end, 0.25))
        logged = samples if place == LOGGED else logged
        first, second = mile_times(samples, 2)
        miles = [MILE / first, MILE / (second - first), run.score_ms]
        miles = [each / MPH + rng.normal(0.0, 0.08) for each in miles]
        rpm = round((samples[-1].rpm + rng.normal(0.0, 12.0)) / 10.0) * 10
        if not noted.counted:
            miles[2] -= LIFTED_MS / MPH
        lines.append(
            f"{noted.date},{noted.name},{noted.way},{SALT},{miles[2]:.3f},{miles[0]:.3f},{miles[1]:.3f},"
            f"{rpm if noted.counted else ''},{run.gear + 1},{noted.temperature_f:g},{noted.pressure_inhg:.2f},"
            f'{100 * noted.humidity:g},{noted.wind_mph:g},{noted.wind_from:g},"{noted.mass_lb:,g}",'
            f"{'yes' if noted.counted else 'no'},{noted.note}"
        )
    return "\n".join(lines) + "\n", logged


def coast_file(scenario: Scenario, rng: np.random.Generator) -> str:
    """Both ways by a phone: once a second, with what it writes above the table, and four seconds without a fix."""
    noted = COASTS[0]
    lines = [
        "GPS speed recorder,export",
        f"Date: {noted.date}",
        "salt: ordinary",
        f"air temp: {noted.temperature_f:g} F",
        f"station pressure: {noted.pressure_inhg:.2f} inHg",
        f"humidity: {100 * noted.humidity:g} %",
        f"wind: {noted.wind_mph:g} mph",
        f"wind from: {noted.wind_from:g}",
        f"weight: {noted.mass_lb:g} lb",
        "note: out of gear from 85, on the return lane, engine idling",
        "",
        "Time,Direction,GPS Speed (mph),Accuracy (m)",
    ]
    clock = 14 * 3600 + 12 * 60 + 7.4
    for noted in COASTS:
        car = OneCar(inputs_on(scenario, noted, true_weather(noted, rng)))
        times = np.arange(0.0, 58.0)
        speeds = coasting(car, (85.0 + rng.normal(0.0, 1.0)) * MPH, times)
        for second, speed in zip(times, speeds, strict=True):
            at = clock + second
            stamp = f"{int(at // 3600):02d}:{int(at // 60 % 60):02d}:{at % 60:04.1f}"
            gap = noted.way == "back" and 21 <= second < 25
            shown = "" if gap else f"{speed / MPH + rng.normal(0.0, 0.12):.1f}"
            lines.append(f"{stamp},{noted.way},{shown},{'' if gap else f'{rng.uniform(2.0, 4.0):.1f}'}")
        clock += 640.0
    return "\r\n".join(lines) + "\r\n"


def log_file(samples: list[Sample], rng: np.random.Generator) -> str:
    """The logged run: engine and wheels four times a second, GPS once; semicolons, decimal commas, a row of units."""
    noted = RUNS[LOGGED]
    lines = [
        "Session;Thrennel Flat",
        f"Date;{noted.date}",
        f"Run;{noted.name}",
        f"Direction;{noted.way}",
        f"Salt;{SALT}",
        f"Air temp;{noted.temperature_f:g} F",
        f"Station pressure;{noted.pressure_inhg:.2f} inHg",
        f"Humidity;{100 * noted.humidity:g} %",
        f"Wind;{noted.wind_mph:g} mph",
        f"Wind from;{noted.wind_from:g}",
        f"Weight;{noted.mass_lb:g} lb",
        "",
        "Time;GPS Speed;GPS Distance;RPM;Wheel Front",
        "s;km/h;m;rpm;km/h",
    ]
    at = np.arange(0.0, samples[-1].time_s, 0.25)
    base = np.array([each.time_s for each in samples])
    keep = np.concatenate([[True], np.diff(base) > 0])

    def column(name: str) -> np.ndarray:
        values = np.array([getattr(each, name) for each in samples])
        return np.interp(at, base[keep], values[keep])

    speed = column("speed_ms") / KMH + rng.normal(0.0, 0.2, len(at))
    distance = column("distance_m")
    rpm = column("rpm") + rng.normal(0.0, 8.0, len(at))
    wheel = column("wheel_ms") / KMH + rng.normal(0.0, 0.25, len(at))
    for place, moment in enumerate(at):
        gps = place % 4 == 0
        cells = [
            f"{moment:.2f}",
            f"{max(speed[place], 0.0):.1f}" if gps else "",
            f"{distance[place]:.0f}" if gps else "",
            f"{rpm[place]:.0f}",
            f"{max(wheel[place], 0.0):.1f}",
        ]
        lines.append(";".join(cells).replace(".", ","))
    lines.append("END OF SESSION")
    return "\r\n".join(lines) + "\r\n"


def dyno_file(scenario: Scenario, rng: np.random.Generator) -> str:
    """Two pulls on the bench, one under the other; the second a little warmer."""
    engine = scenario.parts[ENGINE]
    assert isinstance(engine, Engine)
    lines = [
        "engine, E01",
        "date, 2028-01-15",
        "correction, SAE J1349",
        "pull,rpm,torque [lb-ft],power [hp]",
    ]
    bench = 1.0 + rng.normal(0.0, 0.003)
    for pull, warm in (("1", 1.0), ("2", 0.996)):
        for rpm in range(2500, 6751, 250):
            stated = float(np.interp(rpm, engine.curve.rpm, engine.curve.torque_nm))
            torque = stated * bench * warm * (1.0 + rng.normal(0.0, 0.004)) / 1.3558179
            lines.append(f"{pull},{rpm},{torque:.1f},{torque * rpm / 5252.113:.1f}")
    return "\n".join(lines) + "\n"


def chalk_file(scenario: Scenario, rng: np.random.Generator) -> str:
    """A tape along the ground over five turns, driver in the seat."""
    tire = scenario.parts[TIRE]
    assert isinstance(tire, Tire)
    length = 5 * tire.circumference_m / INCH + rng.normal(0.0, 0.25)
    return (
        "# chalk on the tire, five turns along a tape, driver in, 44 psi\n"
        "tire,distance [in],turns,date,note\n"
        f"{TIRE},{length:.1f},5,2028-02-05,the January mark was one turn with the car jacked\n"
    )


def made() -> dict[str, str]:
    """Every file by its path in the demo's folder."""
    scenario = true_scenario(read_scenario(DEMO, as_stated=True))
    sheet, logged = slips(scenario, np.random.default_rng(SEED))
    return {
        "runs.csv": sheet,
        "logs/coast-down.csv": coast_file(scenario, np.random.default_rng(SEED + 1)),
        "logs/run-3.csv": log_file(logged, np.random.default_rng(SEED + 2)),
        "logs/dyno.csv": dyno_file(scenario, np.random.default_rng(SEED + 3)),
        "logs/chalk-mark.csv": chalk_file(scenario, np.random.default_rng(SEED + 4)),
    }


def main() -> None:
    """Write them."""
    (DEMO / "logs").mkdir(exist_ok=True)
    for name, text in made().items():
        (DEMO / name).write_text(text, encoding="utf-8", newline="")


if __name__ == "__main__":
    main()
