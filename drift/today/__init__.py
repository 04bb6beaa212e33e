"""Say of one sensor today: use it, check it again, or do not use it."""

from drift.today.given import Given, given_now
from drift.today.judge import Verdict, judge
from drift.today.paths import Setting, Situation, prepare_setting
from drift.today.result import TodayResult, all_sensors, one_sensor
from drift.today.sessions import ledger_rows, sessions_of

__all__ = ["Given", "Setting", "Situation", "TodayResult", "Verdict", "all_sensors", "given_now", "judge",
           "ledger_rows", "one_sensor", "prepare_setting", "sessions_of"]
