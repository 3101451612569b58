package simulator

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"go.yaml.in/yaml/v3"
)

// Scenario is a list of what goes wrong, and of what people do, in the course
// of a simulation.
type Scenario []Event

// From gives the events their times, for a scenario that starts at start.
func (s Scenario) From(start time.Time) []Event {
	events := make([]Event, len(s))
	for i, ev := range s {
		if ev.At.IsZero() {
			ev.At = start.Add(ev.After)
		}
		events[i] = ev
	}
	return events
}

// ParseScenario reads a scenario:
//
//	events:
//	  - {after: 36h, brake: quay-2/main, fault: not-freeing, lasts: 10m}
//	  - {at: 2026-03-01T06:00:00Z, brake: quay-2/main, fault: adjusted, amount: 0.5}
//	  - {after: 40h, brake: quay-2/main, fault: probe-frozen, off: true}
//
// Each event has a brake, a fault and either after (the start) or at. Errors
// name the file by name and give line and column. Unknown keys are refused.
func ParseScenario(name string, data []byte) (Scenario, error) {
	var doc yaml.Node
	if err := yaml.Unmarshal(data, &doc); err != nil {
		return nil, fmt.Errorf("%s: %s", name, strings.TrimPrefix(err.Error(), "yaml: "))
	}
	at := func(n *yaml.Node, err error) error {
		return fmt.Errorf("%s:%d:%d: %w", name, n.Line, n.Column, err)
	}
	if len(doc.Content) == 0 {
		return nil, fmt.Errorf("%s: it is empty; it must have a list of events", name)
	}
	root := doc.Content[0]
	if root.Kind != yaml.MappingNode {
		return nil, at(root, errors.New("must be a mapping with the key events"))
	}
	var list *yaml.Node
	for i := 0; i < len(root.Content); i += 2 {
		key := root.Content[i]
		if key.Value != "events" || list != nil {
			return nil, at(key, fmt.Errorf("unknown or repeated key %q; there is one, events", key.Value))
		}
		list = root.Content[i+1]
	}
	if list == nil || list.Kind != yaml.SequenceNode {
		return nil, at(root, errors.New("events must be a list"))
	}
	s := make(Scenario, 0, len(list.Content))
	for _, n := range list.Content {
		ev, where, err := parseEvent(n)
		if err != nil {
			return nil, at(where, err)
		}
		s = append(s, ev)
	}
	return s, nil
}

// parseEvent reads one event. Where it fails, where is the node to blame.
func parseEvent(n *yaml.Node) (ev Event, where *yaml.Node, err error) {
	if n.Kind != yaml.MappingNode {
		return ev, n, errors.New("an event must be a mapping, such as {after: 1h, brake: quay-2/main, fault: not-freeing}")
	}
	seen := make(map[string]bool)
	for i := 0; i < len(n.Content); i += 2 {
		key, value := n.Content[i], n.Content[i+1]
		if seen[key.Value] {
			return ev, key, fmt.Errorf("the key %s stands twice", key.Value)
		}
		seen[key.Value] = true
		if value.Kind != yaml.ScalarNode {
			return ev, value, fmt.Errorf("%s must be a single value", key.Value)
		}
		if err := ev.set(key.Value, value.Value); err != nil {
			if errors.Is(err, errUnknownKey) {
				return ev, key, err
			}
			return ev, value, err
		}
	}
	if seen["at"] == seen["after"] {
		return ev, n, errors.New("an event needs either at or after")
	}
	return ev, n, ev.Validate()
}

var errUnknownKey = errors.New("unknown key")

// set sets one key of an event from its text.
func (e *Event) set(key, text string) (err error) {
	malformed := func(what string) error { return fmt.Errorf("%s is %q; it must be %s", key, text, what) }
	switch key {
	case "at":
		if e.At, err = time.Parse(time.RFC3339, text); err != nil {
			return malformed("a time such as 2026-03-01T06:00:00Z")
		}
	case "after":
		if e.After, err = time.ParseDuration(text); err != nil {
			return malformed("a duration such as 90s or 36h")
		}
	case "lasts":
		if e.Lasts, err = time.ParseDuration(text); err != nil || e.Lasts == 0 {
			return malformed("a duration such as 90s or 36h")
		}
	case "brake":
		e.Brake = text
	case "fault":
		e.Fault = Fault(text)
	case "amount":
		if e.Amount, err = strconv.ParseFloat(text, 64); err != nil {
			return malformed("a number")
		}
	case "off":
		if e.Off, err = strconv.ParseBool(text); err != nil {
			return malformed("true or false")
		}
	default:
		return fmt.Errorf("%w %q; an event has at or after, brake, fault, amount, lasts and off", errUnknownKey, key)
	}
	return nil
}
