"""Tables of what was observed and written into the lists: landings, complaints, and the lists themselves."""

from __future__ import annotations

from pipeline.tables.columns import count, dy, flag, identifier, interval, measure, share, words

#: Part of the foot that lands first, of one foot; of both together they may differ.
LANDINGS = (REARFOOT, MIDFOOT, FOREFOOT) = ("rearfoot", "midfoot", "forefoot")
ASYMMETRIC = "asymmetric"
STRIKES = (*LANDINGS, ASYMMETRIC)
COMPARED = ("all_classes", "rearfoot_or_other")
EVENT_KINDS = ("shoe", "drill", "break", "other")
PAIRED_TESTS = ("McNemar exact", "Bowker")


# One column per statement, its text on lines of its own: read as a table, not as calls.
# fmt: off


class Landings(dy.Schema):
    """A foot that was seen at a distance of an event, as one rater classed it, and the kilometre it was seen in.

    From strikes.csv; class, angle and index are never inferred from a watch.
    """

    event = words("Date of the event, YYYY-MM-DD.", key=True)
    athlete_id = identifier("The runner, or a group of runners who landed alike at each distance.", key=True)
    distance_km = measure("km", 3,
        "Where on the course, as strikes.csv gives it.", key=True, nullable=False, smallest=0)
    foot = words("Which foot; one where strikes.csv does not say.", "left", "right", "one", key=True)
    rater = words("Who classed it; empty where strikes.csv names no one.", key=True)
    is_counted = flag("Whether this rater's class counts: of several, that of the one who saw most feet of the list.")
    strike = words("Part of the foot that lands first.", *LANDINGS)
    angle_deg = measure("degrees", 2, "Foot-strike angle, heel down first positive; null where it was not measured.")
    strike_index_pct = measure("% of foot length", 2,
        "Centre of pressure at first contact, from the heel; null likewise.")
    frame_rate_hz = measure("Hz", 2,
        "Pictures per second of the video; null where strikes.csv does not say.", smallest=0)
    n_runners = count("Runners it stands for: 1, or the size of the group.", smallest=1)
    run_id = identifier(
        "The recorded run it was seen in: of the same start within five minutes, or the only one of that date; null "
        "without one.", nullable=True)
    speed_m_s = measure("m/s", 4, "Speed of that kilometre of the run; null without one.", smallest=0)
    slope_pct = measure("%", 3, "Slope of that kilometre, uphill positive; null likewise.")
    surface = words("Surface of the run, from sessions.csv; null likewise.", nullable=True)


class StrikeCounts(dy.Schema):
    """A class of landing at a distance, among the runners of an event or among the dates of an athlete.

    From strikes.csv alone: nothing is inferred from a watch. All four classes have a row wherever a landing was seen.
    """

    scope = words("Whose landings are counted.", "event", "athlete", key=True)
    subject = identifier("The event's date or the athlete: whichever of the next two is not null.", key=True)
    event = words("Date of the event, YYYY-MM-DD; null for an athlete, counted over all dates.", nullable=True)
    athlete_id = identifier("The athlete; null for an event.", nullable=True)
    distance_km = measure("km", 3,
        "Where on the course, as strikes.csv gives it.", key=True, nullable=False, smallest=0)
    strike = words("Part of the foot that lands first; asymmetric where left and right differ.", *STRIKES, key=True)
    n = count("Landings of this class: runners of an event, dates of an athlete.")
    n_seen = count("Landings of all classes there.", smallest=1)
    n_one_foot = count("Of n, those seen on one foot only, who could not be found asymmetric.")
    share = share("share of n_seen", 4, "n over n_seen.", nullable=False)
    low, high = interval("share of n_seen", 4,
        "Lower end of the 95 % interval of share (Wilson 1927), as if those seen were drawn at random.",
        nullable=False, smallest=0, largest=1)
    mean_angle_deg = measure("degrees", 2,
        "Mean foot-strike angle of those of this class who have one, heel down first positive. Shown next to the "
        "class: neither is inferred from the other where both were given.")
    n_angles = count("How many of this class have an angle.")
    mean_angle_of_all_deg = measure("degrees", 2,
        "The same over all classes there: it can fall along a course where the share of rearfoot landings rises.")


class StrikeShift(dy.Schema):
    """Two distances of an event: how the runners seen at both landed early and late, and a test for change.

    Pairs of distances are not independent, and p_value is not corrected for their number.
    """

    event = words("Date of the event, YYYY-MM-DD.", key=True)
    early_km = measure("km", 3, "The shorter distance.", key=True, nullable=False, smallest=0)
    late_km = measure("km", 3, "The longer distance.", key=True, nullable=False, smallest=0)
    compared = words(
        "Which classes the test distinguishes: all four, or rearfoot and the three others together.",
        *COMPARED, key=True)
    n_pairs = count("Runners seen at both distances; others do not enter.", smallest=1)
    n_rearfoot_to_rearfoot = count("Runners of them with rearfoot early and late.")
    n_rearfoot_to_midfoot = count("Rearfoot early, midfoot late.")
    n_rearfoot_to_forefoot = count("Rearfoot early, forefoot late.")
    n_rearfoot_to_asymmetric = count("Rearfoot early, asymmetric late.")
    n_midfoot_to_rearfoot = count("Midfoot early, rearfoot late.")
    n_midfoot_to_midfoot = count("Midfoot early and late.")
    n_midfoot_to_forefoot = count("Midfoot early, forefoot late.")
    n_midfoot_to_asymmetric = count("Midfoot early, asymmetric late.")
    n_forefoot_to_rearfoot = count("Forefoot early, rearfoot late.")
    n_forefoot_to_midfoot = count("Forefoot early, midfoot late.")
    n_forefoot_to_forefoot = count("Forefoot early and late.")
    n_forefoot_to_asymmetric = count("Forefoot early, asymmetric late.")
    n_asymmetric_to_rearfoot = count("Asymmetric early, rearfoot late.")
    n_asymmetric_to_midfoot = count("Asymmetric early, midfoot late.")
    n_asymmetric_to_forefoot = count("Asymmetric early, forefoot late.")
    n_asymmetric_to_asymmetric = count("Asymmetric early and late.")
    n_rearfoot_to_other = count("Rearfoot early, one of the three others late.")
    n_other_to_rearfoot = count("One of the three others early, rearfoot late.")
    n_other_to_other = count("One of the three others early and late, not always the same.")
    statistic = measure("runners or chi-squared", 6,
        "McNemar exact: the smaller of the numbers of runners who changed one way and the other. Bowker: sum over "
        "pairs of classes of (there - back)² / (there + back).", nullable=False, smallest=0)
    degrees_of_freedom = count(
        "Of Bowker's statistic: the pairs of classes between which someone changed; null for the exact test.",
        nullable=True)
    p_value = dy.Float64(
        min=0,
        max=1,
        nullable=False,
        description="Two-sided, of changes at least this one-sided if either way were as likely; 1 where no runner "
        "changed, which shows no change and does not show that there is none. Bowker's is approximate: rough where few "
        "changed. Not rounded.",
        metadata={"unit": "probability"},
    )
    method = words("Exact where no more than two classes occur, else Bowker's.", *PAIRED_TESTS)


class Complaints(dy.Schema):
    """A line of complaints.csv, as it was written. Shown by date next to the other tables, never interpreted."""

    athlete_id = identifier("The athlete.", key=True)
    from_date = words("First day, YYYY-MM-DD.", key=True)
    line = count("Its line in complaints.csv.", key=True, smallest=2)
    to_date = words("Last day, YYYY-MM-DD; null while it lasts.", nullable=True)
    site = words("Where it is felt, in the writer's words.", nullable=True)
    note = words("Whatever else the writer noted.", nullable=True)


class Roster(dy.Schema):
    """A line of roster.csv: an athlete as the club describes them, with the name."""

    athlete_id = identifier("The athlete; the name of the folder.", key=True)
    display_name = words("Name that pages show.", nullable=True)
    mass_kg = measure("kg", 1, "Body mass; stiffness needs it.", smallest=20, largest=200)
    height_m = measure("m", 3,
        "Height; leg length is estimated from it where that is missing.", smallest=0.9, largest=2.4)
    leg_length_m = measure("m", 3, "Length of the leg, from the greater trochanter to the ground.",
        smallest=0.4, largest=1.4)
    born_year = count("Year of birth; used nowhere but in studies that group by it.", nullable=True, smallest=1900)
    sex = words("As the club writes it.", nullable=True)
    squad = words("Group within the club: the index is filtered by it, or divided; studies use it.", nullable=True)
    experience_years = measure("years", 1, "Years of running; used nowhere but in studies.", smallest=0)
    note = words("Whatever else was noted.", nullable=True)


class Shoes(dy.Schema):
    """A line of shoes.csv: a model of shoe, or a pair."""

    shoe_id = identifier("The shoe, as sessions.csv names it.", key=True)
    name = words("What it is called.", nullable=True)
    heel_toe_drop_mm = measure("mm", 1, "Height of the heel over that of the forefoot.")
    heel_stack_mm = measure("mm", 1, "Height of the sole under the heel.", smallest=0)
    mass_g = measure("g", 0, "Mass of one shoe.", smallest=0)


class Sessions(dy.Schema):
    """A line of sessions.csv: what was written about a run. Which run it describes is in runs."""

    line = count("Its line in sessions.csv.", key=True, smallest=2)
    file = words("File in the inbox that it names; null where it names a start.", nullable=True)
    started_at_utc = dy.Datetime(
        time_unit="us", time_zone="UTC", nullable=True, metadata={"unit": "UTC"},
        description="Start that it names; a time without a zone is in that of columns.toml, else in UTC.")
    athlete_id = identifier("The athlete that it names.", nullable=True)
    kind = words("Kind of the run, as in runs.", nullable=True)
    surface = words("Surface, as in runs.", nullable=True)
    shoe_id = identifier("The shoe, as in shoes.", nullable=True)
    note = words("Whatever else was noted of the run.", nullable=True)


class Events(dy.Schema):
    """A line of events.csv: something before and after which pages compare an athlete's runs."""

    athlete_id = identifier("The athlete.", key=True)
    date = words("Its day, YYYY-MM-DD.", key=True)
    line = count("Its line in events.csv.", key=True, smallest=2)
    kind = words("What it was.", *EVENT_KINDS)
    note = words("Which shoe, which drill, and whatever else was noted.", nullable=True)
