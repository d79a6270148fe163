"""The tables, as a list of steps that is only ever added to. The one module that imports sqlite_utils.

Column names are the field names of `model`; `time` is ms since 1970 UTC. Tables are STRICT, so a
number column never holds text. May import: closed_hours_tables.
Longer than other files: it only ever grows, and is read from its end.
"""

import sqlite3

from sqlite_utils import Database, Migrations

from lugwatch.store import closed_hours_tables

APPLICATION_ID = 0x4C756757  # "LugW", https://sqlite.org/pragma.html#pragma_application_id
# one per migration: a file with a higher number comes from a newer version and is refused
SCHEMA_NUMBER = 16

_BOAT = (
    """CREATE TABLE boot (
        boot_id INTEGER PRIMARY KEY,
        started_time INTEGER NOT NULL,
        version TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE batch (
        batch_id INTEGER PRIMARY KEY,
        boot_id INTEGER NOT NULL REFERENCES boot,
        sequence INTEGER NOT NULL,
        monotonic_seconds REAL NOT NULL,
        time INTEGER NOT NULL
    ) STRICT""",
    "CREATE TABLE boat (name TEXT NOT NULL, slug TEXT NOT NULL) STRICT",
    # position NULL: in the history, and no longer in the configuration
    """CREATE TABLE channel (
        channel_id INTEGER PRIMARY KEY,
        channel TEXT NOT NULL UNIQUE,
        quantity TEXT NOT NULL,
        name TEXT NOT NULL,
        source TEXT,
        rated_amps REAL,
        position INTEGER
    ) STRICT""",
    """CREATE TABLE joint (
        joint_id INTEGER PRIMARY KEY,
        joint TEXT NOT NULL UNIQUE,
        name TEXT NOT NULL,
        probe TEXT NOT NULL,
        current TEXT,
        air TEXT,
        neighbours TEXT NOT NULL,
        rated_amps REAL,
        limit_celsius REAL NOT NULL,
        limit_basis TEXT NOT NULL,
        cable_mm2 REAL,
        cable_insulation TEXT,
        facts TEXT NOT NULL,
        position INTEGER
    ) STRICT""",
)

_MEASURED = (
    # nth: 0 but for a second reading of a channel in the same ms and batch; costs one byte
    """CREATE TABLE reading (
        channel_id INTEGER NOT NULL,
        time INTEGER NOT NULL,
        batch_id INTEGER NOT NULL,
        nth INTEGER NOT NULL,
        value REAL NOT NULL,
        PRIMARY KEY (channel_id, time, batch_id, nth)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE fault (
        fault_id INTEGER PRIMARY KEY,
        batch_id INTEGER NOT NULL,
        time INTEGER NOT NULL,
        source TEXT NOT NULL,
        channel TEXT,
        kind TEXT NOT NULL,
        detail TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE source_health (
        source_health_id INTEGER PRIMARY KEY,
        batch_id INTEGER NOT NULL,
        source TEXT NOT NULL,
        time INTEGER NOT NULL,
        state TEXT NOT NULL,
        readings_count INTEGER NOT NULL,
        faults_count INTEGER NOT NULL,
        last_fault TEXT
    ) STRICT""",
    "CREATE INDEX source_health_source ON source_health (source)",
)

_SAID = (
    """CREATE TABLE estimate (
        joint_id INTEGER NOT NULL,
        time INTEGER NOT NULL,
        batch_id INTEGER NOT NULL,
        state TEXT NOT NULL,
        reason TEXT,
        probe_time INTEGER,
        probe_celsius REAL,
        reference_celsius REAL,
        rise_kelvin REAL,
        current_amps REAL,
        rise_coefficient REAL,
        rise_coefficient_sd REAL,
        resistance_ohms REAL,
        resistance_sd_ohms REAL,
        resistance_basis TEXT,
        baseline_ratio REAL,
        baseline_ratio_sd REAL,
        settles_at_celsius REAL,
        settles_at_sd_kelvin REAL,
        settles_at_rated_celsius REAL,
        settles_at_rated_sd_kelvin REAL,
        seconds_to_limit REAL,
        limit_celsius REAL NOT NULL,
        PRIMARY KEY (joint_id, time, batch_id)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE alert (
        alert_id INTEGER PRIMARY KEY,
        joint TEXT,
        channel TEXT,
        condition TEXT NOT NULL,
        category TEXT NOT NULL,
        state TEXT NOT NULL,
        raised_time INTEGER NOT NULL,
        rectified_time INTEGER,
        acknowledged_time INTEGER,
        acknowledged_by TEXT,
        text TEXT NOT NULL,
        advice TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE alert_change (
        sequence INTEGER PRIMARY KEY,
        batch_id INTEGER NOT NULL,
        time INTEGER NOT NULL,
        change TEXT NOT NULL,
        alert_id INTEGER NOT NULL REFERENCES alert,
        category TEXT NOT NULL,
        state TEXT NOT NULL,
        text TEXT NOT NULL,
        alert TEXT NOT NULL
    ) STRICT""",
    "CREATE INDEX alert_change_alert ON alert_change (alert_id)",
    """CREATE TABLE crew_action (
        action_id INTEGER PRIMARY KEY,
        time INTEGER NOT NULL,
        deed TEXT NOT NULL,
        alert_id INTEGER NOT NULL,
        who TEXT NOT NULL,
        taken_time INTEGER
    ) STRICT""",
    "CREATE INDEX crew_action_waiting ON crew_action (action_id) WHERE taken_time IS NULL",
    """CREATE TABLE snapshot (
        key TEXT PRIMARY KEY,
        batch_id INTEGER NOT NULL REFERENCES batch,
        time INTEGER NOT NULL,
        body TEXT NOT NULL
    ) STRICT""",
)

_PASSAGES = (
    """CREATE TABLE passage (
        passage_id INTEGER PRIMARY KEY,
        start_time INTEGER NOT NULL,
        end_time INTEGER,
        amp_hours REAL NOT NULL,
        max_amps REAL NOT NULL
    ) STRICT""",
    """CREATE TABLE passage_current (
        passage_id INTEGER NOT NULL REFERENCES passage,
        channel TEXT NOT NULL,
        amp_hours REAL NOT NULL,
        max_amps REAL NOT NULL,
        PRIMARY KEY (passage_id, channel)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE passage_joint (
        passage_id INTEGER NOT NULL REFERENCES passage,
        joint TEXT NOT NULL,
        max_celsius REAL,
        rise_coefficient REAL,
        rise_coefficient_sd REAL,
        PRIMARY KEY (passage_id, joint)
    ) STRICT, WITHOUT ROWID""",
)

migrations = Migrations("lugwatch")


@migrations()
def first_tables(db: Database) -> None:
    """What is watched, what was measured, what was said about it."""
    for statement in (*_BOAT, *_MEASURED, *_SAID, *_PASSAGES):
        db.execute(statement)


@migrations()
def learned_shapes(db: Database) -> None:
    """Thermal shapes as they were learned, one row a joint and time, kept for ever."""
    db.execute(
        """CREATE TABLE learned_shape (
            joint TEXT NOT NULL,
            time INTEGER NOT NULL,
            tau_fast_seconds REAL NOT NULL,
            tau_slow_seconds REAL NOT NULL,
            fast_weight REAL NOT NULL,
            neighbour_weight REAL NOT NULL,
            tau_fast_ratio_sd REAL NOT NULL,
            tau_slow_ratio_sd REAL NOT NULL,
            windows_count INTEGER NOT NULL,
            stage INTEGER NOT NULL,
            log_likelihood_gain REAL NOT NULL,
            PRIMARY KEY (joint, time)
        ) STRICT, WITHOUT ROWID"""
    )


@migrations()
def creeps(db: Database) -> None:
    """What the passages of a joint said together, each time one had ended."""
    db.execute(
        """CREATE TABLE creep (
            creep_id INTEGER PRIMARY KEY,
            joint TEXT NOT NULL,
            time INTEGER NOT NULL,
            verdict TEXT NOT NULL,
            passages_count INTEGER NOT NULL,
            first_time INTEGER,
            last_time INTEGER,
            rise_coefficient REAL,
            gain_ratio REAL,
            gain_ratio_low REAL,
            gain_ratio_high REAL,
            gain_ratio_per_100_days REAL,
            gain_ratio_per_100_days_low REAL,
            gain_ratio_per_100_days_high REAL,
            p_value REAL,
            baseline_coefficient REAL,
            baseline_coefficient_sd REAL,
            reaches_ratio REAL NOT NULL,
            reaches_time INTEGER,
            reaches_earliest_time INTEGER,
            reaches_latest_time INTEGER
        ) STRICT"""
    )
    db.execute("CREATE INDEX creep_joint ON creep (joint, creep_id)")


@migrations()
def journal_and_baselines(db: Database) -> None:
    """What the crew did to joints, and what each joint was compared with; both kept for ever."""
    db.execute(
        """CREATE TABLE journal (
            entry_id INTEGER PRIMARY KEY,
            joint TEXT,
            time INTEGER NOT NULL,
            kind TEXT NOT NULL,
            note TEXT,
            who TEXT NOT NULL,
            volts REAL,
            amps REAL,
            celsius REAL
        ) STRICT"""
    )
    # baseline_id and not time tells which is the later: a clock may have been wrong
    db.execute(
        """CREATE TABLE baseline (
            baseline_id INTEGER PRIMARY KEY,
            joint TEXT NOT NULL,
            taken_time INTEGER NOT NULL,
            baseline_time INTEGER NOT NULL,
            ended_time INTEGER,
            rise_coefficient REAL NOT NULL,
            rise_coefficient_sd REAL NOT NULL,
            evidence_seconds REAL NOT NULL,
            UNIQUE (joint, taken_time)
        ) STRICT"""
    )


@migrations()
def learning_windows(db: Database) -> None:
    """What joints are still to be learned from; emptied when nothing is left to learn."""
    db.execute(
        """CREATE TABLE learning_window (
            learning_window_id INTEGER PRIMARY KEY,
            time INTEGER NOT NULL,
            record_seconds REAL NOT NULL,
            joints TEXT NOT NULL,
            body BLOB NOT NULL
        ) STRICT"""
    )


@migrations()
def ends_at(db: Database) -> None:
    """Where a joint ends with the air where it is heading; null in rows that were written before."""
    db.execute("ALTER TABLE estimate ADD COLUMN ends_at_celsius REAL")
    db.execute("ALTER TABLE estimate ADD COLUMN ends_at_sd_kelvin REAL")


@migrations()
def proof_tests(db: Database) -> None:
    """Proof tests that were run, as `proving.ProofTest` has them; kept for ever."""
    db.execute(
        """CREATE TABLE proof_test (
            proof_id INTEGER PRIMARY KEY,
            joint TEXT NOT NULL,
            time INTEGER NOT NULL,
            minutes REAL NOT NULL,
            verdict TEXT NOT NULL,
            poor TEXT,
            allowed_kelvin REAL NOT NULL,
            asked_amps REAL NOT NULL,
            tested_amps REAL,
            surroundings_celsius REAL,
            tested_kelvin REAL,
            tested_low_kelvin REAL,
            tested_high_kelvin REAL,
            asked_kelvin REAL,
            asked_low_kelvin REAL,
            asked_high_kelvin REAL,
            cable_kelvin REAL,
            against_cable TEXT NOT NULL,
            hottest_celsius REAL,
            warmer_neighbour TEXT,
            note TEXT,
            who TEXT
        ) STRICT"""
    )


@migrations()
def alerts_that_are_answered(db: Database) -> None:
    """What an alert was at first, at its worst and last; who did what about it or a joint, for how long."""
    for column, kind in (
        ("first_celsius", "REAL"),
        ("first_baseline_ratio", "REAL"),
        ("worst_category", "TEXT"),
        ("worst_celsius", "REAL"),
        ("worst_baseline_ratio", "REAL"),
        ("worst_time", "INTEGER"),
        ("last_celsius", "REAL"),
        ("last_baseline_ratio", "REAL"),
        ("last_time", "INTEGER"),
        ("silenced_until_time", "INTEGER"),
        ("silenced_by", "TEXT"),
        ("shelved_until_time", "INTEGER"),
        ("shelved_by", "TEXT"),
        ("escalated_time", "INTEGER"),
        ("said_count", "INTEGER NOT NULL DEFAULT 0"),
        ("change_count", "INTEGER NOT NULL DEFAULT 0"),
    ):
        db.execute(f"ALTER TABLE alert ADD COLUMN {column} {kind}")
    db.execute("ALTER TABLE alert_change ADD COLUMN who TEXT")
    db.execute("ALTER TABLE alert_change ADD COLUMN speaks INTEGER NOT NULL DEFAULT 1")
    db.execute(
        """CREATE TABLE alert_memory (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            time INTEGER NOT NULL,
            body TEXT NOT NULL
        ) STRICT"""
    )
    # SQLite cannot take NOT NULL off a column: a deed may now be about a joint, or about all alerts
    db.execute("ALTER TABLE crew_action RENAME TO crew_action_before")
    db.execute("DROP INDEX crew_action_waiting")
    db.execute(
        """CREATE TABLE crew_action (
            action_id INTEGER PRIMARY KEY,
            time INTEGER NOT NULL,
            deed TEXT NOT NULL,
            alert_id INTEGER,
            joint TEXT,
            for_seconds REAL,
            who TEXT NOT NULL,
            taken_time INTEGER
        ) STRICT"""
    )
    db.execute(
        "INSERT INTO crew_action (action_id, time, deed, alert_id, who, taken_time)"
        " SELECT action_id, time, deed, alert_id, who, taken_time FROM crew_action_before"
    )
    db.execute("DROP TABLE crew_action_before")
    db.execute("CREATE INDEX crew_action_waiting ON crew_action (action_id) WHERE taken_time IS NULL")


@migrations()
def push_lines(db: Database) -> None:
    """What messages still have to tell each destination, and up to which change of alerts they have heard."""
    db.execute(
        """CREATE TABLE push_line (
            destination INTEGER NOT NULL,
            alert_id INTEGER NOT NULL,
            sequence INTEGER NOT NULL,
            category TEXT NOT NULL,
            raised_time INTEGER NOT NULL,
            title TEXT NOT NULL,
            body TEXT NOT NULL,
            is_over INTEGER NOT NULL,
            is_waiting INTEGER NOT NULL,
            is_told INTEGER NOT NULL,
            tries INTEGER NOT NULL,
            last_error TEXT,
            queued_time INTEGER NOT NULL,
            sent_time INTEGER,
            PRIMARY KEY (destination, alert_id)
        ) STRICT"""
    )
    db.execute(
        """CREATE TABLE push_heard (
            push_heard_id INTEGER PRIMARY KEY CHECK (push_heard_id = 1),
            sequence INTEGER NOT NULL
        ) STRICT"""
    )


@migrations()
def numbers_and_outbox(db: Database) -> None:
    """What no later start may give again, and which alert changes a way out has not delivered."""
    db.execute(
        """CREATE TABLE history (
            history_id TEXT NOT NULL,
            reserved_sequence INTEGER NOT NULL,
            reserved_alert_id INTEGER NOT NULL
        ) STRICT"""
    )
    db.execute("INSERT INTO history VALUES ('', 0, 0)")
    db.execute(
        """CREATE TABLE outbox (
            way TEXT NOT NULL,
            sequence INTEGER NOT NULL,
            PRIMARY KEY (way, sequence)
        ) STRICT, WITHOUT ROWID"""
    )


@migrations()
def closed_hours(db: Database) -> None:
    """Readings stand in their batch until their hour is closed, and packed by channel from then on."""
    closed_hours_tables.make(db.execute)


@migrations()
def passages_by_hand(db: Database) -> None:
    """What the crew decided of passages, only ever added to; figures of parts, kept since readings go."""
    db.execute(
        """CREATE TABLE passage_decision (
            decision_id INTEGER PRIMARY KEY,
            time INTEGER NOT NULL,
            deed TEXT NOT NULL,
            who TEXT NOT NULL,
            passage_id INTEGER NOT NULL,
            words TEXT,
            cut_time INTEGER,
            other_id INTEGER,
            undone_id INTEGER
        ) STRICT"""
    )
    db.execute(
        """CREATE TABLE passage_part (
            part_id INTEGER PRIMARY KEY,
            passage_id INTEGER NOT NULL,
            start_time INTEGER NOT NULL,
            end_time INTEGER NOT NULL,
            figures TEXT NOT NULL
        ) STRICT"""
    )


@migrations()
def proof_trials(db: Database) -> None:
    """Proof tests that the page follows: what was asked for, and how each ended."""
    db.execute(
        """CREATE TABLE proof_trial (
            trial_id INTEGER PRIMARY KEY,
            time INTEGER NOT NULL,
            wanted TEXT NOT NULL,
            over_time INTEGER,
            outcome TEXT,
            trouble TEXT,
            proofs TEXT NOT NULL DEFAULT '[]'
        ) STRICT"""
    )


@migrations()
def two_deviations_of_a_passages_rise(db: Database) -> None:
    """Beside the deviation against the truth that against other passages, and why a rise is not told."""
    db.execute("ALTER TABLE passage_joint ADD COLUMN rise_coefficient_repeat_sd REAL")
    db.execute("ALTER TABLE passage_joint ADD COLUMN rise_coefficient_reason TEXT")


@migrations()
def fitting_checks(db: Database) -> None:
    """What checks of the fitting found, as `fitting.FittingCheck` has them; only ever added to."""
    db.execute(
        """CREATE TABLE fitting_check (
            check_id INTEGER PRIMARY KEY,
            time INTEGER NOT NULL,
            kind TEXT NOT NULL,
            subject TEXT NOT NULL,
            outcome TEXT NOT NULL,
            finding TEXT NOT NULL,
            text TEXT NOT NULL,
            value REAL,
            low REAL,
            high REAL,
            unit TEXT,
            start_time INTEGER,
            end_time INTEGER,
            who TEXT NOT NULL
        ) STRICT"""
    )


@migrations()
def photos(db: Database) -> None:
    """Photos of journal entries: JPEGs of pixels alone; kept for ever."""
    db.execute(
        """CREATE TABLE photo (
            photo_id INTEGER PRIMARY KEY,
            entry_id INTEGER NOT NULL REFERENCES journal,
            width_pixels INTEGER NOT NULL,
            height_pixels INTEGER NOT NULL,
            jpeg BLOB NOT NULL
        ) STRICT"""
    )
    db.execute("CREATE INDEX photo_entry ON photo (entry_id)")


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a database of ours to this version's tables. Raises sqlite3.Error."""
    database = Database(connection, recursive_triggers=False, execute_plugins=False)
    if migrations.pending(database):
        migrations.apply(database)
        connection.execute(f"PRAGMA user_version = {SCHEMA_NUMBER}")
        # the schema number must stand in the main file, where `opening` looks for it
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
