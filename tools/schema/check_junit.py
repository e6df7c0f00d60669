"""Reads a suite's JUnit XML with readers that are not ours: against our schema, and as a CI server's reader does.

usage: check_junit.py SCHEMA.xsd JUNIT.xml

It also checks that the schema refuses at all, and that the counts are those of the cases.
"""

import sys
import xml.etree.ElementTree as ElementTree

import junitparser
import xmlschema


def main(schema_path, junit_path):
    schema = xmlschema.XMLSchema(schema_path)
    problems = [f"{junit_path}: {error.path}: {error.reason}" for error in schema.iter_errors(junit_path)]
    problems += [f"{schema_path}: accepts a file {what}" for what in accepted_wrongly(schema, junit_path)]
    read = junitparser.JUnitXml.fromfile(junit_path)
    cases = [case for suite in read for case in suite]
    failures = sum(isinstance(result, junitparser.Failure) for case in cases for result in case.result)
    errors = sum(isinstance(result, junitparser.Error) for case in cases for result in case.result)
    if (read.tests, read.failures, read.errors) != (len(cases), failures, errors):
        problems.append(f"{junit_path}: counts {(read.tests, read.failures, read.errors)}, "
                        f"but holds {(len(cases), failures, errors)}")
    if not all(case.name and case.classname for case in cases):
        problems.append(f"{junit_path}: a case without a name")
    for problem in problems:
        print(problem)
    if not problems:
        print(f"{junit_path}: as {schema_path} says; {len(cases)} cases, {failures} failures, {errors} errors")
    return 1 if problems else 0


def accepted_wrongly(schema, junit_path):
    """What a schema that accepts anything would accept too: each required attribute left out, another one, a time."""
    tree = ElementTree.parse(junit_path)
    for element in tree.iter():
        for name in list(element.attrib):
            value = element.attrib.pop(name)
            if schema.is_valid(tree):
                yield f"with a {element.tag} without {name}"
            element.attrib[name] = value
        element.attrib["time"] = "1"
        if schema.is_valid(tree):
            yield f"with a time in a {element.tag}"
        del element.attrib["time"]


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:3]))
