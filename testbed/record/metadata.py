"""metadata.yaml, which makes a folder with an MCAP file a recording of rosbag2 (version 9 of its layout)."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any, Final

from mcap.records import Channel
from ruamel.yaml import YAML

from testbed.record.container import Contents

FILE: Final = "metadata.yaml"
QOS: Final = "offered_qos_profiles"
TYPE_HASH: Final = "topic_type_hash"
ROS_DISTRO: Final = "kilted"


def qos_profile(latched: bool, depth: int) -> dict[str, Any]:
    """One offered profile as rosbag2 writes it: reliable, keep last, no deadline, lifespan or lease."""
    forever = {"sec": 9223372036, "nsec": 854775807}
    return {
        "history": "keep_last",
        "depth": depth,
        "reliability": "reliable",
        "durability": "transient_local" if latched else "volatile",
        "deadline": forever,
        "lifespan": forever,
        "liveliness": "automatic",
        "liveliness_lease_duration": forever,
        "avoid_ros_namespace_conventions": False,
    }


def channel_metadata(profile: dict[str, Any], type_hash: str) -> dict[str, str]:
    """What a channel carries besides its name; the profile as YAML (JSON is YAML too)."""
    return {QOS: json.dumps([profile]), TYPE_HASH: type_hash}


def write_metadata(folder: Path, file: Path, contents: Contents) -> None:
    """Write metadata.yaml beside `file`, whole or not at all."""
    span = {
        "starting_time": {"nanoseconds_since_epoch": contents.start},
        "duration": {"nanoseconds": contents.end - contents.start},
        "message_count": contents.message_count,
    }
    information = {
        "version": 9,
        "storage_identifier": "mcap",
        "relative_file_paths": [file.name],
        **span,
        "topics_with_message_count": [
            {
                "topic_metadata": _topic(channel, contents.schemas[channel.schema_id].name),
                "message_count": contents.counts.get(channel.id, 0),
            }
            for channel in contents.channels.values()
        ],
        "compression_format": "",
        "compression_mode": "",
        "files": [{"path": file.name, **span}],
        "custom_data": None,
        "ros_distro": ROS_DISTRO,
    }
    yaml = YAML(typ="safe")
    yaml.default_flow_style = False
    yaml.representer.ignore_aliases = lambda _: True
    partial = folder / f"{FILE}.partial"
    with partial.open("w", encoding="utf-8") as stream:
        yaml.dump({"rosbag2_bagfile_information": information}, stream)
        stream.flush()
        os.fsync(stream.fileno())
    partial.replace(folder / FILE)


def _topic(channel: Channel, message_type: str) -> dict[str, Any]:
    return {
        "name": channel.topic,
        "type": message_type,
        "serialization_format": channel.message_encoding,
        "offered_qos_profiles": json.loads(channel.metadata.get(QOS, "[]")),
        "type_description_hash": channel.metadata.get(TYPE_HASH, ""),
    }
