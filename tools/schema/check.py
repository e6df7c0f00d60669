"""Checks a JSON file, or a TOML file taken as JSON, against a JSON Schema with a reader that is not ours, and checks that the schema refuses at all.

usage: check.py SCHEMA.json INSTANCE.json|INSTANCE.toml
"""

import json
import sys
import tomllib

import jsonschema


def main(schema_path, instance_path):
    with open(schema_path, encoding="utf-8") as file:
        schema = json.load(file)
    with open(instance_path, "rb") as file:
        instance = tomllib.load(file) if instance_path.endswith(".toml") else json.load(file)
    validator_class = jsonschema.validators.validator_for(schema)
    validator_class.check_schema(schema)
    validator = validator_class(schema)
    errors = list(validator.iter_errors(instance))
    for error in errors:
        print(f"{instance_path}: {error.json_path}: {error.message}")
    # A schema that accepts anything would pass too: every required key, left out, must be refused.
    slack = [key for key in schema.get("required", []) if validator.is_valid(without(instance, key))]
    for key in slack:
        print(f"{schema_path}: accepts a result without {key!r}")
    if "required" not in schema:
        print(f"{schema_path}: requires nothing")
        return 1
    if not errors and not slack:
        print(f"{instance_path}: as {schema_path} says; {len(schema['required'])} required keys, each missed when left out")
    return 1 if errors or slack else 0


def without(instance, key):
    return {name: value for name, value in instance.items() if name != key}


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
