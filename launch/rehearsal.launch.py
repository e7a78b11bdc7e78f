"""Rehearse a plan: `ros2 launch testbed rehearsal.launch.py plan:=demo.yaml speed:=4`.

Starts `testbed rehearse`, which starts and watches the nodes and publishes /stop when one of them dies; a node started
from here would be watched by nobody. An argument left empty is the command's own default (`testbed rehearse --help`).
"""

from launch import LaunchContext, LaunchDescription
from launch.actions import DeclareLaunchArgument, ExecuteProcess, OpaqueFunction, Shutdown
from launch.substitutions import LaunchConfiguration, PathJoinSubstitution
from launch_ros.substitutions import FindPackagePrefix

OPTIONS = {
    "speed": "times real time",
    "seed": "seed of every random draw",
    "engine": "live for the ROS graph, lockstep for the engine without ROS",
    "results": "folder for the recording, the summary and the report",
}
# The time in which the command closes the valves, ends its nodes and completes the recording after Ctrl-C.
SECONDS_TO_END = "15"


def generate_launch_description() -> LaunchDescription:
    """Declare the arguments and start the command once their values are known."""
    return LaunchDescription(
        [
            DeclareLaunchArgument("plan", default_value="", description="plan to rehearse"),
            *(DeclareLaunchArgument(name, default_value="", description=text) for name, text in OPTIONS.items()),
            OpaqueFunction(function=rehearse),
        ]
    )


def rehearse(context: LaunchContext) -> list[ExecuteProcess]:
    """Return the command; the launch ends with it."""
    given = {name: LaunchConfiguration(name).perform(context) for name in ("plan", *OPTIONS)}
    command = PathJoinSubstitution([FindPackagePrefix("testbed"), "lib", "testbed", "testbed"])
    plan = [given["plan"]] if given["plan"] else []
    options = [part for name in OPTIONS if given[name] for part in (f"--{name}", given[name])]
    return [
        ExecuteProcess(
            cmd=[command, "rehearse", *plan, *options],
            output="screen",
            emulate_tty=True,
            sigterm_timeout=SECONDS_TO_END,
            sigkill_timeout=SECONDS_TO_END,
            on_exit=Shutdown(reason="the rehearsal has ended"),
        )
    ]
