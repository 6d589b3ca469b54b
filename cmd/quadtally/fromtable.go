package main

import "quadtally/cmd/quadtally/internal/tables"

// readSheet reads a CSV or XLSX and says what was tidied on the way.
func (a *app) readSheet(path string) (*tables.Sheet, error) {
	data, err := readFile(path, tables.MaxBytes)
	if err != nil {
		return nil, err
	}
	s, err := tables.Read(path, data)
	if err != nil {
		return nil, err
	}
	for _, n := range s.Notes {
		a.note("note: %s: %s", s.Name, n)
	}
	return s, nil
}

func decimalOf(word string) (tables.Decimal, error) {
	switch word {
	case "":
		return tables.Undecided, nil
	case "point":
		return tables.Point, nil
	case "comma":
		return tables.Comma, nil
	}
	return 0, usagef("--decimal %q: say point or comma", word)
}
