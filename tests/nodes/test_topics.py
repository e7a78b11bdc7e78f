"""One table holds every topic; it says what the design says."""

import pytest
from rclpy.qos import QoSDurabilityPolicy, QoSReliabilityPolicy

from testbed.nodes import topics
from testbed.nodes.topics import GLOBAL_TOPICS, NOT_HERE, NOT_YET, VEHICLE_TOPICS, publisher_qos, subscriber_qos, topic

ROWS = (*VEHICLE_TOPICS, *GLOBAL_TOPICS)
# The contract: every topic of a vehicle and of a session.
CONTRACT_TEXT = """
    imu ranges camera/image_raw camera/camera_info odometry estimate/bias estimate/disturbance estimate/innovations
    relative/odometry maneuver maneuver/status goal trajectory reference wrench valves/schedule valves/state
    supply/pressure supply/temperature carriage/pressure battery port/command port/state place truth
    /clock /clock/done /plan/state /plan/events /plan/configuration /contacts /joined /air/temperature /diagnostics
    /markers /stop /release /tf
"""
LATCHED = {"maneuver", "trajectory", "/plan/configuration", "port/state", "/joined"}
ONCE = {"/stop", "/release", "/plan/events", "/contacts", "place", "port/command"}
"""Sent once and never by a foreign driver: losing one would not be made good by the next."""


def test_every_topic_of_the_contract_is_there_or_listed_as_not_yet_or_without_its_type():
    assert sorted([row.name for row in ROWS] + list(NOT_YET) + list(NOT_HERE)) == sorted(CONTRACT_TEXT.split())


def test_no_topic_is_both_there_and_not_yet():
    assert not {row.name for row in ROWS} & set(NOT_YET)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
class TestQualityOfService:
    def test_everything_is_published_reliable(self, row):
        assert publisher_qos(row).reliability == QoSReliabilityPolicy.RELIABLE

    def test_only_what_the_contract_calls_latched_is_transient_local(self, row):
        latched = row.name in LATCHED
        for qos in (publisher_qos(row), subscriber_qos(row, lockstep=True), subscriber_qos(row, lockstep=False)):
            assert (qos.durability == QoSDurabilityPolicy.TRANSIENT_LOCAL) == latched

    def test_in_lockstep_everybody_asks_for_reliable(self, row):
        assert subscriber_qos(row, lockstep=True).reliability == QoSReliabilityPolicy.RELIABLE

    def test_on_wall_time_foreign_drivers_may_offer_best_effort(self, row):
        always = row.name in LATCHED | ONCE
        wanted = QoSReliabilityPolicy.RELIABLE if always else QoSReliabilityPolicy.BEST_EFFORT
        assert subscriber_qos(row, lockstep=False).reliability == wanted

    def test_types_ship_with_ros(self, row):
        package = row.type.__module__.split(".")[0]
        assert package in {
            "diagnostic_msgs",
            "geometry_msgs",
            "nav_msgs",
            "rosgraph_msgs",
            "sensor_msgs",
            "std_msgs",
            "tf2_msgs",
            "trajectory_msgs",
            "visualization_msgs",
        }


def test_stop_and_release_are_volatile_so_that_no_old_one_reaches_who_starts_later():
    for name in ("/stop", "/release"):
        assert publisher_qos(topic(name)).durability == QoSDurabilityPolicy.VOLATILE


def test_names_of_a_vehicle_lie_in_its_namespace_and_global_ones_do_not():
    assert topic("imu").full_name("wren") == "/wren/imu"
    assert topic("/stop").full_name("wren") == "/stop"


def test_what_the_radio_brings_has_a_row_for_each_partner():
    row = topic(topics.partner_topic("siskin"))
    assert row.full_name("wren") == "/wren/partners/siskin/odometry"
    assert row.type is topic("odometry").type
    assert not [name for name, _ in topics.all_topics(("wren",)) if "partners" in name]
    with pytest.raises(KeyError):
        topic("partners/siskin/imu")


def test_all_topics_of_a_session_are_told_once_each():
    names = [name for name, _ in topics.all_topics(("wren", "siskin"))]
    assert len(names) == len(set(names)) == 2 * (len(VEHICLE_TOPICS) + 2) + len(GLOBAL_TOPICS)
    assert {"/wren/partners/siskin/odometry", "/wren/partners/heard"} <= set(names)


def test_a_name_outside_the_contract_is_an_error():
    with pytest.raises(KeyError):
        topic("imu/raw")


@pytest.mark.parametrize("stamp", [0, 1, 999_999_999, 1_000_000_000, 1_795_594_876_123_456_789])
def test_stamps_survive_the_message(stamp):
    assert topics.to_nanoseconds(topics.to_time(stamp)) == stamp
