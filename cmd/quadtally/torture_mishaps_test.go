package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"quadtally/cmd/quadtally/internal/record"
)

// sheetOf is a sheet as a person means it, and what must come of it.
type sheetOf struct {
	command  string
	header   []string
	rows     [][]string
	response string // "" : operations are looked at
	// truth works the plots' values out of the rows as they are meant, not
	// through the program.
	truth func(header []string, rows [][]string) map[string]float64
}

func (s sheetOf) csv() string {
	out := strings.Join(s.header, ",") + "\n"
	for _, r := range s.rows {
		out += strings.Join(r, ",") + "\n"
	}
	return out
}

// with is a copy that f may change.
func (s sheetOf) with(f func(*sheetOf)) sheetOf {
	s.header = slices.Clone(s.header)
	rows := make([][]string, len(s.rows))
	for i, r := range s.rows {
		rows[i] = slices.Clone(r)
	}
	s.rows = rows
	f(&s)
	return s
}

func (s *sheetOf) col(name string) int { return slices.Index(s.header, name) }

func mustNumber(s string) float64 {
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		panic(err)
	}
	return v
}

// perM2 adds the counts of each quadrat, averages a plot's quadrats, and puts
// them on a square metre (the frame is 0.25 m2).
func perM2(columns ...string) func([]string, [][]string) map[string]float64 {
	return func(header []string, rows [][]string) map[string]float64 {
		plot, quadrat := slices.Index(header, "plot"), slices.Index(header, "quadrat")
		sum := map[string]float64{}
		quadrats := map[string]map[string]bool{}
		for _, r := range rows {
			p := r[plot]
			if quadrats[p] == nil {
				quadrats[p] = map[string]bool{}
			}
			quadrats[p][r[quadrat]] = true
			for _, c := range columns {
				sum[p] += mustNumber(r[slices.Index(header, c)])
			}
		}
		out := map[string]float64{}
		for p := range sum {
			out[p+"@1"] = sum[p] / float64(len(quadrats[p])) / 0.25
		}
		return out
	}
}

// meanOf averages a column over a plot's quadrats.
func meanOf(column, at string) func([]string, [][]string) map[string]float64 {
	return func(header []string, rows [][]string) map[string]float64 {
		sum, n := map[string]float64{}, map[string]float64{}
		for _, r := range rows {
			k := r[slices.Index(header, "plot")] + at
			sum[k] += mustNumber(r[slices.Index(header, column)])
			n[k]++
		}
		for k := range sum {
			sum[k] /= n[k]
		}
		return sum
	}
}

// kgHa adds up a plot's picks: kilograms from a length of a bed that stands for
// 1.5 m of ground.
func kgHa(header []string, rows [][]string) map[string]float64 {
	out := map[string]float64{}
	for _, r := range rows {
		out[r[slices.Index(header, "plot")]] += mustNumber(r[slices.Index(header, "marketable_kg")]) / mustNumber(r[slices.Index(header, "bed_length_m")]) / 1.5 * 10000
	}
	return out
}

// seedBill adds up what was put on each treatment, over all operations.
func seedBill(header []string, rows [][]string) map[string]float64 {
	out := map[string]float64{}
	for _, r := range rows {
		out[r[slices.Index(header, "treatment")]+" "+r[slices.Index(header, "date")]] += mustNumber(r[slices.Index(header, "rate")])
	}
	return out
}

// honestSheets are a sheet of every kind.
func honestSheets() map[string]sheetOf {
	wide := sheetOf{command: "counts", header: []string{"plot", "quadrat", "date", "broadleaf", "grass"}, response: "count", truth: perM2("broadleaf", "grass")}
	long := sheetOf{command: "counts", header: []string{"plot", "quadrat", "date", "species", "count"}, response: "count", truth: perM2("count")}
	cover := sheetOf{command: "counts", header: []string{"plot", "quadrat", "date", "cover_%"}, response: "hand-cover", truth: meanOf("cover_%", "@1")}
	height := sheetOf{command: "counts", header: []string{"plot", "quadrat", "date", "crop_height_cm"}, response: "crop-height", truth: meanOf("crop_height_cm", "@1")}
	values := sheetOf{command: "counts", header: []string{"plot", "quadrat", "date", "variable", "value", "unit"}, response: "leaf wetness", truth: meanOf("value", "@1")}
	once := sheetOf{command: "yields", header: []string{"plot", "date", "marketable_kg", "bed_length_m"}, response: "yield", truth: kgHa}
	picks := sheetOf{command: "yields", header: []string{"plot", "pick", "date", "marketable_kg", "bed_length_m"}, response: "yield", truth: kgHa}
	work := sheetOf{command: "field", header: []string{"date", "operation", "treatment", "input", "rate", "rate_unit"}, truth: seedBill}
	for i, p := range bedPlots {
		for q := 1; q <= 3; q++ {
			at := []string{p, fmt.Sprint(q), "2025-06-14"}
			wide.rows = append(wide.rows, append(slices.Clone(at), fmt.Sprint(3+2*i+q*q), fmt.Sprint((i*q)%5+1)))
			long.rows = append(long.rows, append(slices.Clone(at), "broadleaf", fmt.Sprint(3+2*i+q*q)), append(slices.Clone(at), "grass", fmt.Sprint((i*q)%5+1)))
			cover.rows = append(cover.rows, append(slices.Clone(at), fmt.Sprint(5+3*i+q*q)))
			height.rows = append(height.rows, append(slices.Clone(at), fmt.Sprint(30+i+2*q*q)))
			values.rows = append(values.rows, append(slices.Clone(at), "leaf wetness", fmt.Sprint(2+i+q*q), "h"))
		}
		once.rows = append(once.rows, []string{p, "2025-10-02", fmt.Sprintf("%d.%d", 4+i, 3+i%6), "3"})
	}
	for k := 1; k <= 3; k++ {
		for i, p := range bedPlots {
			picks.rows = append(picks.rows, []string{p, fmt.Sprint(k), fmt.Sprintf("2025-09-%02d", 4*k), fmt.Sprintf("%d.%d%d", 2+i%5, k, 1+i%9), "3"})
		}
	}
	work.rows = [][]string{{"2024-09-20", "seeding", "RYE", "rye", "110", "kg/ha"}, {"2024-09-21", "seeding", "STRAW", "straw", "4000", "kg/ha"}, {"2025-05-20", "termination", "RYE", "none", "1", "l/ha"},
		{"2025-05-25", "planting", "BARE", "leeks", "13", "plants/m2"}}
	return map[string]sheetOf{"counts, a column a class": wide, "counts, a row a class": long, "cover by eye": cover, "crop height": height,
		"assessment of one's own": values, "harvest": once, "harvest in picks": picks, "operations": work}
}

// attempt is one mishap: files stored one after the other, and what is meant.
type attempt struct {
	kind, name string
	meant      sheetOf
	steps      []step
	least      string // the least that must come of it: "right" or "told"
}

// step is one storing.
type step struct {
	file string
	data string
	args []string
	kill bool   // a process that is killed on the way
	undo string // in place of a file: the entry to take back
	with string // another command than the sheet's own
}

// mistyped are faults of typing that are corrected in the same sheet
// afterwards: the values must be those of the corrected one.
var mistyped = []struct {
	name string
	do   func(*sheetOf) bool // false: does not go with this sheet
}{
	{"a value mistyped", func(s *sheetOf) bool { s.rows[4%len(s.rows)][s.valueCol()] = "11"; return true }},
	{"a nought too many", func(s *sheetOf) bool { s.rows[1][s.valueCol()] += "0"; return true }},
	{"a value left blank", func(s *sheetOf) bool { s.rows[2][s.valueCol()] = ""; return s.command != "field" }},
	{"a value of 0", func(s *sheetOf) bool { s.rows[2][s.valueCol()] = "0"; return true }},
	{"the plots of two rows swapped", func(s *sheetOf) bool {
		c := s.col("plot")
		if c < 0 {
			return false
		}
		last := len(s.rows) - 1
		s.rows[0][c], s.rows[last][c] = s.rows[last][c], s.rows[0][c]
		return true
	}},
	{"a row of the wrong plot", func(s *sheetOf) bool {
		if s.col("plot") >= 0 {
			s.rows[len(s.rows)-1][s.col("plot")] = "101"
		}
		return s.col("plot") >= 0
	}},
	{"a plot that does not exist", func(s *sheetOf) bool {
		if s.col("plot") >= 0 {
			s.rows[3][s.col("plot")] = "909"
		}
		return s.col("plot") >= 0
	}},
	{"the date of one row", func(s *sheetOf) bool { s.rows[1][s.col("date")] = shifted(s.rows[1][s.col("date")]); return true }},
	{"the date of all rows", func(s *sheetOf) bool {
		for _, r := range s.rows {
			r[s.col("date")] = shifted(r[s.col("date")])
		}
		return true
	}},
	{"another visit's date in all rows", func(s *sheetOf) bool {
		for _, r := range s.rows {
			r[s.col("date")] = "2025-06-28"
		}
		return s.command == "counts"
	}},
	{"a row left out", func(s *sheetOf) bool { s.rows = slices.Delete(s.rows, 5%len(s.rows), 5%len(s.rows)+1); return true }},
	{"the first row left out", func(s *sheetOf) bool { s.rows = s.rows[1:]; return true }},
	{"the last rows left out", func(s *sheetOf) bool { s.rows = s.rows[:len(s.rows)-max(1, len(s.rows)/6)]; return true }},
	{"a row twice", func(s *sheetOf) bool { s.rows = append(s.rows, slices.Clone(s.rows[0])); return true }},
	{"the rows in another order", func(s *sheetOf) bool { slices.Reverse(s.rows); return true }},
	{"two quadrats of a plot swapped", func(s *sheetOf) bool {
		c := s.col("quadrat")
		if c < 0 {
			return false
		}
		last := len(s.rows) - 1
		s.rows[0][c], s.rows[last][c] = s.rows[last][c], s.rows[0][c]
		return true
	}},
	{"a quadrat that does not exist", func(s *sheetOf) bool {
		if s.col("quadrat") >= 0 {
			s.rows[0][s.col("quadrat")] = "4"
		}
		return s.col("quadrat") >= 0
	}},
	{"the pick of one row", func(s *sheetOf) bool {
		if s.col("pick") >= 0 {
			s.rows[13][s.col("pick")] = "4"
		}
		return s.col("pick") >= 0
	}},
	{"two columns under the wrong heads", func(s *sheetOf) bool {
		a, b := s.col("broadleaf"), s.col("grass")
		if a < 0 {
			return false
		}
		s.header[a], s.header[b] = "grass", "broadleaf"
		return true
	}},
	{"pounds in place of kilograms", func(s *sheetOf) bool {
		if c := s.col("marketable_kg"); c >= 0 {
			s.header[c] = "marketable_lb"
		}
		return s.col("marketable_lb") >= 0
	}},
	{"feet in place of metres", func(s *sheetOf) bool {
		if c := s.col("bed_length_m"); c >= 0 {
			s.header[c] = "bed_length_ft"
		}
		return s.col("bed_length_ft") >= 0
	}},
	{"centimetres called inches", func(s *sheetOf) bool {
		if c := s.col("crop_height_cm"); c >= 0 {
			s.header[c] = "crop_height_in"
		}
		return s.col("crop_height_in") >= 0
	}},
	{"the treatment of one row", func(s *sheetOf) bool {
		if s.col("treatment") >= 0 {
			s.rows[0][s.col("treatment")] = "STRAW"
		}
		return s.col("treatment") >= 0
	}},
	{"the word for the work", func(s *sheetOf) bool {
		if s.col("operation") >= 0 {
			s.rows[2][s.col("operation")] = "rolling"
		}
		return s.col("operation") >= 0
	}},
	{"the unit of the rate", func(s *sheetOf) bool {
		if s.col("rate_unit") >= 0 {
			s.rows[0][s.col("rate_unit")] = "lb/A"
		}
		return s.col("rate_unit") >= 0
	}},
	{"a class misspelt", func(s *sheetOf) bool {
		if c := s.col("species"); c >= 0 {
			s.rows[0][c] = "broadleav"
		}
		return s.col("species") >= 0
	}},
	{"the unit of one row", func(s *sheetOf) bool {
		if c := s.col("unit"); c >= 0 {
			s.rows[0][c] = "min"
		}
		return s.col("unit") >= 0
	}},
}

func (s *sheetOf) valueCol() int {
	for _, name := range []string{"broadleaf", "count", "cover_%", "crop_height_cm", "value", "marketable_kg", "rate"} {
		if c := s.col(name); c >= 0 {
			return c
		}
	}
	panic("no value")
}

// shifted is a day later.
func shifted(date string) string {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		panic(err)
	}
	return d.AddDate(0, 0, 1).Format(time.DateOnly)
}

// dressed are ways in which a sound sheet comes along.
var dressed = []struct {
	name  string
	do    func(s sheetOf) (text string, ok bool)
	args  []string
	least string
}{
	{"a byte-order mark", func(s sheetOf) (string, bool) { return "\ufeff" + s.csv(), true }, nil, "right"},
	{"semicolons and decimal commas", func(s sheetOf) (string, bool) {
		s = s.with(func(s *sheetOf) {
			for _, r := range s.rows {
				r[s.valueCol()] = strings.Replace(r[s.valueCol()], ".", ",", 1)
			}
		})
		return strings.ReplaceAll(strings.ReplaceAll(s.csvWith(";"), "\n", "\r\n"), "\r\r", "\r"), true
	}, nil, "told"},
	{"tabs", func(s sheetOf) (string, bool) { return s.csvWith("\t"), true }, nil, "right"},
	{"a line that names the separator", func(s sheetOf) (string, bool) { return "sep=,\n" + s.csv(), true }, nil, "told"},
	{"title rows above the header", func(s sheetOf) (string, bool) {
		return "Alder Bend leeks 2025" + strings.Repeat(",", len(s.header)-1) + "\n" + strings.Repeat(",", len(s.header)-1) + "\n" + s.csv(), true
	}, nil, "told"},
	{"a total row at the bottom", func(s sheetOf) (string, bool) {
		r := make([]string, len(s.header))
		r[0], r[s.valueCol()] = "total", "999"
		return s.csv() + strings.Join(r, ",") + "\n", true
	}, nil, "told"},
	{"empty rows between", func(s sheetOf) (string, bool) {
		return strings.Replace(s.csv(), "\n", "\n"+strings.Repeat(",", len(s.header)-1)+"\n\n", 2), true
	}, nil, "right"},
	{"blanks around everything", func(s sheetOf) (string, bool) { return strings.ReplaceAll(s.csv(), ",", " , "), true }, nil, "told"},
	{"capitals", func(s sheetOf) (string, bool) {
		s = s.with(func(s *sheetOf) {
			for i, h := range s.header {
				s.header[i] = strings.ToUpper(h)
			}
			if c := s.col("SPECIES"); c >= 0 {
				for _, r := range s.rows {
					r[c] = strings.ToUpper(r[c])
				}
			}
		})
		return s.csv(), true
	}, nil, "told"},
	{"an unknown column of numbers", func(s sheetOf) (string, bool) { return s.appended("minutes", "7"), true }, nil, "told"},
	{"an unknown column, said to be ignored", func(s sheetOf) (string, bool) { return s.appended("minutes", "7"), s.command == "counts" }, []string{"--columns", "minutes=ignore"}, "right"},
	{"a column of remarks", func(s sheetOf) (string, bool) { return s.appended("remarks", "dry and windy"), true }, nil, "right"},
	{"a letter O for a nought", func(s sheetOf) (string, bool) { return s.changed(1, "1O"), true }, nil, "told"},
	{"about", func(s sheetOf) (string, bool) { return s.changed(1, "~12"), true }, nil, "told"},
	{"more than", func(s sheetOf) (string, bool) { return s.changed(1, ">30"), true }, nil, "told"},
	{"a word in a value", func(s sheetOf) (string, bool) { return s.changed(1, "12 (deer)"), true }, nil, "told"},
	{"a negative value", func(s sheetOf) (string, bool) {
		return s.changed(1, "-3"), s.command != "field" && s.response != "leaf wetness"
	}, nil, "told"},
	{"a tally as a formula", func(s sheetOf) (string, bool) { return s.changed(1, "=5+5"), true }, nil, "told"},
	{"NA for a plot", func(s sheetOf) (string, bool) { return s.inCol("plot", 1, "NA") }, nil, "told"},
	{"a dash for a treatment", func(s sheetOf) (string, bool) { return s.inCol("treatment", 1, "-") }, nil, "told"},
	{"NA for a treatment", func(s sheetOf) (string, bool) { return s.inCol("treatment", 1, "NA") }, nil, "told"},
	{"an open quote", func(s sheetOf) (string, bool) {
		text := s.appended("remarks", "ok")
		lines := strings.Split(text, "\n")
		lines[2] = strings.Replace(lines[2], ",ok", `,"half`, 1)
		return strings.Join(lines, "\n"), true
	}, nil, "told"},
	{"inches in a remark", func(s sheetOf) (string, bool) {
		text := s.appended("remarks", "ok")
		lines := strings.Split(text, "\n")
		lines[2] = strings.Replace(lines[2], ",ok", `,5" tall`, 1)
		return strings.Join(lines, "\n"), true
	}, nil, "told"},
	{"days that are months", func(s sheetOf) (string, bool) {
		return s.eachDate(func(y, m, d string) string { return d + "/" + m + "/" + y }), true
	}, []string{"--dates", "day-first"}, "right"},
	{"days first, unsaid", func(s sheetOf) (string, bool) {
		return s.eachDate(func(y, m, d string) string { return d + "/" + m + "/" + y }), true
	}, nil, "told"},
	{"dates in two fashions", func(s sheetOf) (string, bool) {
		n := 0
		return s.eachDate(func(y, m, d string) string {
			if n++; n%2 == 0 {
				return d + "." + m + "." + y
			}
			return y + "-" + m + "-" + d
		}), true
	}, nil, "told"},
	{"plots as 101.0", func(s sheetOf) (string, bool) {
		if s.col("plot") < 0 {
			return "", false
		}
		return s.with(func(s *sheetOf) {
			for _, r := range s.rows {
				r[s.col("plot")] += ".0"
			}
		}).csv(), true
	}, nil, "told"},
	{"a cell too many", func(s sheetOf) (string, bool) {
		lines := strings.Split(s.csv(), "\n")
		lines[3] += ",77"
		return strings.Join(lines, "\n"), true
	}, nil, "told"},
	{"a cell too few", func(s sheetOf) (string, bool) {
		lines := strings.Split(s.csv(), "\n")
		lines[3] = lines[3][:strings.LastIndex(lines[3], ",")]
		return strings.Join(lines, "\n"), true
	}, nil, "told"},
	{"two columns of one name", func(s sheetOf) (string, bool) { return s.appended(s.header[s.valueCol()], "1"), true }, nil, "told"},
	{"a web page", func(s sheetOf) (string, bool) {
		return "<html><table><tr><td>" + s.csv() + "</td></tr></table></html>", true
	}, nil, "told"},
	{"a class left out", func(s sheetOf) (string, bool) {
		switch {
		case s.col("grass") >= 0:
			return s.with(func(s *sheetOf) {
				c := s.col("grass")
				s.header = slices.Delete(s.header, c, c+1)
				for i := range s.rows {
					s.rows[i] = slices.Delete(s.rows[i], c, c+1)
				}
			}).csv(), true
		case s.col("species") >= 0:
			return s.with(func(s *sheetOf) {
				c := s.col("species")
				s.rows = slices.DeleteFunc(s.rows, func(r []string) bool { return r[c] == "grass" })
			}).csv(), true
		}
		return "", false
	}, nil, "told"},
	{"a class left blank", func(s sheetOf) (string, bool) {
		c := s.col("grass")
		return s.with(func(s *sheetOf) {
			for _, r := range s.rows {
				r[max(c, 0)] = ""
			}
		}).csv(), c >= 0
	}, nil, "told"},
	{"quadrats without weeds left out", func(s sheetOf) (string, bool) {
		return s.with(func(s *sheetOf) {
			c := s.col("quadrat")
			s.rows = slices.DeleteFunc(s.rows, func(r []string) bool { return c >= 0 && r[c] == "2" })
		}).csv(), s.col("species") >= 0
	}, nil, "told"},
	{"a class misspelt", func(s sheetOf) (string, bool) { return s.inCol("species", 0, "broadleav") }, nil, "told"},
	{"a new class", func(s sheetOf) (string, bool) { return s.inCol("species", 0, "fleabane") }, nil, "told"},
	{"only 0 and 1 and no unit", func(s sheetOf) (string, bool) {
		c := s.col("cover_%")
		if c < 0 {
			return "", false
		}
		return s.with(func(s *sheetOf) {
			s.header[c] = "cover"
			for i, r := range s.rows {
				r[c] = fmt.Sprint(i % 2)
			}
		}).csv(), true
	}, nil, "told"},
	{"a unit in the cells", func(s sheetOf) (string, bool) {
		c := s.col("rate")
		if c < 0 {
			return "", false
		}
		return s.with(func(s *sheetOf) {
			for _, r := range s.rows {
				r[c], r[c+1] = r[c]+" "+r[c+1], ""
			}
		}).csv(), true
	}, nil, "right"},
	{"grams under a header of kilograms", func(s sheetOf) (string, bool) {
		return s.with(func(s *sheetOf) { s.rows[1][s.valueCol()] += "000" }).csv(), s.command == "yields"
	}, nil, "told"},
	{"another year", func(s sheetOf) (string, bool) {
		return s.eachDate(func(y, m, d string) string { return "2052-" + m + "-" + d }), true
	}, nil, "told"},
	{"no line end at the end", func(s sheetOf) (string, bool) { return strings.TrimSuffix(s.csv(), "\n"), true }, nil, "right"},
	{"the last figure cut off", func(s sheetOf) (string, bool) {
		t := strings.TrimSuffix(s.csv(), "\n")
		return t[:len(t)-1], s.valueCol() == len(s.header)-1
	}, nil, "told"},
	{"cut off in the middle", func(s sheetOf) (string, bool) { t := s.csv(); return t[:len(t)-3], s.command != "field" }, nil, "told"},
}

func (s sheetOf) csvWith(sep string) string {
	out := strings.Join(s.header, sep) + "\n"
	for _, r := range s.rows {
		out += strings.Join(r, sep) + "\n"
	}
	return out
}

func (s sheetOf) appended(name, cell string) string {
	return s.with(func(s *sheetOf) {
		s.header = append(s.header, name)
		for i := range s.rows {
			s.rows[i] = append(s.rows[i], cell)
		}
	}).csv()
}

func (s sheetOf) changed(row int, cell string) string {
	return s.with(func(s *sheetOf) { s.rows[row][s.valueCol()] = cell }).csv()
}

func (s sheetOf) inCol(name string, row int, cell string) (string, bool) {
	if s.col(name) < 0 {
		return "", false
	}
	return s.with(func(s *sheetOf) { s.rows[row][s.col(name)] = cell }).csv(), true
}

func (s sheetOf) eachDate(write func(y, m, d string) string) string {
	return s.with(func(s *sheetOf) {
		c := s.col("date")
		for _, r := range s.rows {
			r[c] = write(r[c][:4], r[c][5:7], r[c][8:])
		}
	}).csv()
}

// workbook writes a sheet as XLSX and lets f spoil it.
func workbook(t *testing.T, s sheetOf, f func(x *excelize.File, sheet string)) string {
	t.Helper()
	x := excelize.NewFile()
	defer x.Close()
	const name = "Sheet1"
	set := func(c, r int, v any) {
		at, _ := excelize.CoordinatesToCellName(c+1, r+1)
		if err := x.SetCellValue(name, at, v); err != nil {
			t.Fatal(err)
		}
	}
	for c, h := range s.header {
		set(c, 0, h)
	}
	for r, row := range s.rows {
		for c, v := range row {
			if n, err := strconv.ParseFloat(v, 64); err == nil {
				set(c, r+1, n)
			} else {
				set(c, r+1, v)
			}
		}
	}
	if f != nil {
		f(x, name)
	}
	var b bytes.Buffer
	if err := x.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// workbooks are ways in which a sound sheet comes as a workbook.
var workbooks = []struct {
	name  string
	spoil func(s sheetOf, x *excelize.File, sheet string)
	least string
}{
	{"as a workbook", nil, "right"},
	{"TRUE in a value", func(s sheetOf, x *excelize.File, sheet string) { x.SetCellBool(sheet, s.cell(1), true) }, "told"},
	{"a formula without a value", func(s sheetOf, x *excelize.File, sheet string) { x.SetCellFormula(sheet, s.cell(1), "3+4") }, "told"},
	{"an error in a cell", func(s sheetOf, x *excelize.File, sheet string) { x.SetCellValue(sheet, s.cell(1), "#DIV/0!") }, "told"},
	{"hidden rows", func(s sheetOf, x *excelize.File, sheet string) { x.SetRowVisible(sheet, 3, false) }, "right"},
	{"two values in one merged cell", func(s sheetOf, x *excelize.File, sheet string) { x.MergeCell(sheet, s.cell(1), s.cell(2)) }, "told"},
	{"a hidden sheet in front", func(s sheetOf, x *excelize.File, sheet string) {
		x.NewSheet("old")
		for c, h := range s.header {
			at, _ := excelize.CoordinatesToCellName(c+1, 1)
			x.SetCellValue("old", at, h)
			at, _ = excelize.CoordinatesToCellName(c+1, 2)
			x.SetCellValue("old", at, s.rows[0][c])
		}
		x.MoveSheet("old", sheet)
		x.SetSheetVisible("old", false)
	}, "right"},
	{"a number kept as text", func(s sheetOf, x *excelize.File, sheet string) {
		x.SetCellStr(sheet, s.cell(1), s.rows[1][s.valueCol()])
	}, "right"},
	{"a chart's note far below", func(s sheetOf, x *excelize.File, sheet string) { x.SetCellValue(sheet, "A90", "weighed by Ben") }, "told"},
}

func (s sheetOf) cell(row int) string {
	at, _ := excelize.CoordinatesToCellName(s.valueCol()+1, row+2)
	return at
}

// mishaps lists every attempt.
func mishaps(t *testing.T) []attempt {
	var out []attempt
	for kind, s := range honestSheets() {
		half := func(from, to int) step {
			return step{file: "sheet.csv", data: s.with(func(x *sheetOf) { x.rows = x.rows[from:to] }).csv()}
		}
		one := func(name, least string, steps ...step) {
			out = append(out, attempt{kind, name, s, steps, least})
		}
		clean := step{file: "sheet.csv", data: s.csv()}
		for _, m := range mistyped {
			ok := true
			bad := s.with(func(x *sheetOf) { ok = m.do(x) })
			if !ok {
				continue
			}
			one(m.name+", then corrected", "right", step{file: "sheet.csv", data: bad.csv()}, step{file: "sheet.csv", data: clean.data, args: []string{"--agreed"}})
			one(m.name+", corrected and sent under another name", "told", step{file: "sheet.csv", data: bad.csv()}, step{file: "corrected.csv", data: clean.data})
			one(m.name+", taken back and stored right", "right", step{file: "sheet.csv", data: bad.csv()}, step{undo: "3"}, clean)
			one(m.name+", corrected with --as", "right", step{file: "sheet.csv", data: bad.csv()}, step{file: "corrected.csv", data: clean.data, args: []string{"--as", "sheet.csv", "--agreed"}})
		}
		for _, d := range dressed {
			if text, ok := d.do(s); ok {
				one(d.name, d.least, step{file: "sheet.csv", data: text, args: d.args})
				one(d.name+", after the sound one", d.least, clean, step{file: "sheet.csv", data: text, args: d.args})
			}
		}
		for _, w := range workbooks {
			data := workbook(t, s, func(x *excelize.File, sheet string) {
				if w.spoil != nil {
					w.spoil(s, x, sheet)
				}
			})
			one(w.name, w.least, step{file: "sheet.xlsx", data: data})
		}
		if s.col("broadleaf") >= 0 {
			total := s.with(func(x *sheetOf) {
				for i := range x.rows {
					x.rows[i] = append(x.rows[i][:3:3], "1")
				}
				x.header = append(x.header[:3:3], "total")
			})
			one("totals of another sheet that do not fit", "told", step{file: "totals.csv", data: total.csv()}, clean)
		}
		one("the other half of the field under the same name", "told", half(0, len(s.rows)/2), half(len(s.rows)/2, len(s.rows)))
		for _, other := range []string{"counts", "yields", "field"} {
			if other != s.command {
				one("stored with "+other, "told", step{file: "sheet.csv", data: clean.data, with: other})
				one("stored with "+other+" after it was stored right", "right", clean, step{file: "sheet.csv", data: clean.data, with: other})
			}
		}
		one("stored twice", "right", clean, clean)
		killed := clean
		killed.kill = true
		one("killed and repeated", "right", killed, clean)
		one("killed, repeated, killed and repeated", "right", killed, clean, killed, clean)
		one("a copy under another name", "right", clean, step{file: "copy.csv", data: clean.data})
		one("half today, the whole tomorrow", "right", step{file: "sheet.csv", data: s.with(func(x *sheetOf) { x.rows = x.rows[:len(x.rows)/2] }).csv()}, clean)
	}
	slices.SortStableFunc(out, func(a, b attempt) int { return strings.Compare(a.kind+a.name, b.kind+b.name) })
	return out
}

// came is what came of an attempt.
type came string

const (
	cameRight   came = "right"
	cameAsked   came = "asked"
	cameRefused came = "refused" // all of it, or the rows that are named
	cameSilent  came = "silently wrong"
)

// storing is the part of a storing's JSON that is looked at.
type storing struct {
	Stored bool
	Asked  []string
	Open   []string
	Notes  []string
	Faults []struct {
		Lines []int
		Text  string
	}
}

// TestTortureMishaps stores sheets with the mishaps of tired people and looks
// at what the plots' values are then: those that are meant, or missing and
// asked or told about. Values that are wrong without a word must not be.
func TestTortureMishaps(t *testing.T) {
	fresh := bedTrial(t)
	must(t, "amend", "--trial", fresh, "--set", "class: broadleaf", "--set", "class: grass")
	list := mishaps(t)
	if len(list) < 150 {
		t.Fatalf("only %d attempts", len(list))
	}
	every := full(7, 1) // in the short form, every seventh
	tally := map[came]int{}
	tried := 0
	var exported []string // trials that came out right
	for i, a := range list {
		if i%every != 0 {
			continue
		}
		tried++
		dir := t.TempDir()
		copyFile(t, filepath.Join(fresh, record.FileName), filepath.Join(dir, record.FileName))
		got, why := a.try(t, dir)
		tally[got]++
		if got == cameSilent || (got != cameRight && a.least == "right") {
			t.Errorf("%s, %s: %s\n%s", a.kind, a.name, got, why)
		}
		if got == cameRight && a.response() != "" && len(exported) < full(8, 60) && tried%4 == 0 {
			must(t, "export", filepath.Join(dir, "out"), "--trial", dir)
			truth, err := json.Marshal(map[string]any{"response": a.meant.response, "values": a.meant.truth(a.meant.header, a.meant.rows)})
			if err != nil {
				t.Fatal(err)
			}
			file(t, dir, "truth.json", string(truth))
			exported = append(exported, dir)
		}
	}
	second := secondReader(t, exported)
	figure(t, "ordinary mishaps", fmt.Sprintf("%d attempts", tried), "%d right, %d asked, %d refused, %d silently wrong; %s",
		tally[cameRight], tally[cameAsked], tally[cameRefused], tally[cameSilent], second)
}

func (a attempt) response() string { return a.meant.response }

// try stores the files and says what came of it.
func (a attempt) try(t *testing.T, dir string) (came, string) {
	t.Helper()
	var last storing
	var code int
	var talk string
	told, asked := false, false
	for _, s := range a.steps {
		if s.undo != "" {
			quietly("undo", s.undo, "--trial", dir)
			continue
		}
		path := file(t, dir, s.file, s.data)
		if s.kill {
			cmd := program(a.meant.command, path, "--trial", dir)
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(rand.N(200 * time.Millisecond))
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
			continue
		}
		var out string
		code, out, talk = quietly(append([]string{cmp.Or(s.with, a.meant.command), path, "--trial", dir, "--json"}, s.args...)...)
		last = storing{}
		if out != "" {
			if err := json.Unmarshal([]byte(out), &last); err != nil {
				t.Fatalf("%s, %s: %v\n%s", a.kind, a.name, err, out)
			}
		}
		told = told || code == exitFailed || code == exitUsage || code == exitPartly
		asked = asked || len(last.Asked) > 0 || (code == exitFailed && strings.Contains(talk, "?"))
	}
	want := a.meant.truth(a.meant.header, a.meant.rows)
	have := map[string]float64{}
	if a.meant.response == "" {
		for _, o := range snapshotOf(t, dir).Operations {
			if o.Rate != nil {
				have[o.Treatment+" "+o.Date.String()] += *o.Rate
			}
		}
	} else {
		have = plotValues(t, dir, a.meant.response, "")
	}
	var wrong []string
	for k := range want {
		if v, ok := have[k]; !ok || math.Abs(v-want[k]) > 1e-6*math.Abs(want[k]) {
			wrong = append(wrong, fmt.Sprintf("%s is %v, not %v", k, have[k], want[k]))
		}
	}
	for k := range have {
		if _, ok := want[k]; !ok {
			wrong = append(wrong, fmt.Sprintf("%s is %v and must not be", k, have[k]))
		}
	}
	slices.Sort(wrong)
	why := fmt.Sprintf("exit %d; %s\n%s", code, strings.Join(wrong, "; "), talk)
	switch {
	case len(wrong) == 0:
		return cameRight, why
	case code != exitDone && !last.Stored && asked:
		return cameAsked, why
	case code != exitDone && !last.Stored && told && strings.TrimSpace(talk) != "" && !strings.Contains(talk, "goroutine "):
		return cameRefused, why
	case len(last.Open) > 0:
		return cameAsked, why
	case slices.ContainsFunc(last.Notes, func(n string) bool {
		return strings.Contains(n, "not filled in yet") || strings.Contains(n, "may be cut off")
	}):
		return cameRefused, why
	case code == exitPartly && a.explained(have, want, last):
		return cameRefused, why
	}
	return cameSilent, why
}

// explained reports that every plot whose value is not the one meant has a row
// that is named as not read.
func (a attempt) explained(have, want map[string]float64, o storing) bool {
	lines := strings.Split(a.steps[len(a.steps)-1].data, "\n")
	named := ""
	for _, f := range o.Faults {
		if len(f.Lines) == 0 {
			return true // about the file as a whole
		}
		for _, n := range f.Lines {
			if n-1 < len(lines) && !strings.HasSuffix(a.steps[len(a.steps)-1].file, ".xlsx") {
				named += lines[n-1] + "\n"
			}
			if n >= 2 && n-2 < len(a.meant.rows) { // the row as it was meant
				named += strings.Join(a.meant.rows[n-2], ",") + "\n"
			}
		}
	}
	for k, v := range want {
		if got, ok := have[k]; ok && math.Abs(got-v) <= 1e-6*math.Abs(v) {
			continue
		}
		plot, _, _ := strings.Cut(strings.Fields(k)[0], "@")
		if !strings.Contains(named, plot) && !strings.Contains(named, "NA") {
			return false
		}
	}
	for k := range have {
		if _, ok := want[k]; !ok {
			return false
		}
	}
	return true
}

// secondReaderScript works the plots' values out of exported tables with the
// standard library of Python alone.
const secondReaderScript = `
import csv, json, sys
bad = 0
for d in sys.argv[1:]:
    truth = json.load(open(d + "/truth.json"))
    rows = list(csv.DictReader(open(d + "/out/observations.csv", encoding="utf-8-sig")))
    variable = {"count": "count", "hand-cover": "cover", "crop-height": "crop height", "leaf wetness": "leaf wetness", "yield": "yield"}[truth["response"]]
    sums, places = {}, {}
    for r in rows:
        if r["variable"] != variable or r["value"] == "":
            continue
        v = float(r["value"])
        if variable == "yield":
            if r["class"] != "marketable": continue
            sums[r["plot"]] = sums.get(r["plot"], 0) + v / (float(r["bed_length_mm"]) / 1000) / 1.5 * 10000
            continue
        k = r["plot"] + "@" + r["visit"]
        sums[k] = sums.get(k, 0) + v * {"count": 4, "cover": 100, "crop height": 0.1, "leaf wetness": 1}[variable]
        places.setdefault(k, set()).add(r["quadrat"])
    for k in places: sums[k] /= len(places[k])
    for k in set(sums) | set(truth["values"]):
        a, b = sums.get(k), truth["values"].get(k)
        if a is None or b is None or abs(a - b) > 1e-6 * abs(b):
            print(d, k, a, b); bad = 1
sys.exit(bad)
`

func secondReader(t *testing.T, dirs []string) string {
	t.Helper()
	python, err := exec.LookPath("python3")
	if err != nil {
		t.Log("python3 is not here: the exported tables have no second reader")
		return "no second reader on this machine"
	}
	if len(dirs) == 0 {
		t.Error("nothing was exported for the second reader")
	}
	cmd := exec.Command(python, append([]string{"-c", secondReaderScript}, dirs...)...)
	cmd.Env = os.Environ()
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Errorf("the second reader finds other values: %v\n%s", err, out)
	}
	return fmt.Sprintf("a second reader agrees in all plots of %s", plural(len(dirs), "trial"))
}
