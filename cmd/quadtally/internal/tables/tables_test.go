package tables

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"quadtally/cmd/quadtally/internal/trial"
)

func read(t *testing.T, text string) *Sheet {
	t.Helper()
	s, err := Read("dir/counts.csv", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func numbers(vs []Value) string {
	var out []string
	for _, v := range vs {
		if v.Missing {
			out = append(out, "missing")
		} else {
			out = append(out, fmt.Sprint(v.Number))
		}
	}
	return strings.Join(out, " ")
}

// An invisible byte-order mark must not swallow the first column's name.
func TestByteOrderMarks(t *testing.T) {
	utf8 := "\xef\xbb\xbf\"plot\",\"date\",\"count\"\r\n\"101\",\"2025-06-14\",\"7\"\r\n"
	utf16 := []byte{0xff, 0xfe}
	for _, r := range utf8[3:] {
		utf16 = append(utf16, byte(r), 0)
	}
	for name, data := range map[string][]byte{"utf-8": []byte(utf8), "utf-16": utf16} {
		s, err := Read("counts.csv", data)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		col := s.Column("plot")
		if col < 0 || len(s.Rows) != 1 || s.Rows[0].Cells[col].Text != "101" {
			t.Errorf("%s: %+v", name, s)
		}
		if v, f := s.Numbers(s.Column("count"), Undecided); len(f) > 0 || numbers(v) != "7" {
			t.Errorf("%s: %v %v", name, v, f)
		}
	}
}

func TestDecimalMarks(t *testing.T) {
	for name, c := range map[string]struct{ text, want, refuse string }{
		"semicolon comma":       {"plot;yield_kg\n101;12,5\n102;1.234,5\n", "12.5 1234.5", ""},
		"quoted comma":          {"plot,yield_kg\n101,\"12,5\"\n", "12.5", ""},
		"semicolon point":       {"plot;yield_kg\n101;1.0\n", "1", ""},
		"mixed":                 {"plot;yield_kg\n101;12,5\n102;11.75\n", "", "row 2"},
		"thousand or decimal":   {"plot,yield_kg\n101,\"1,234\"\n", "", "row 2"},
		"thousand or decimal ;": {"plot;yield_kg\n101;1.234\n", "", "row 2"},
		"plain point thousands": {"plot,yield_kg\n101,1.234\n", "1.234", ""},
		"both marks":            {"plot,yield_kg\n101,\"1,234.5\"\n102,\"1,234\"\n", "1234.5 1234", ""},
		"decided by neighbour":  {"plot;yield_kg;cull_kg\n101;1.234;0,5\n", "1234", ""},
		"another hand's comma":  {"plot,yield_kg\n101,12.4\n102,\"8,250\"\n", "", "row 3"},
		"another hand's point":  {"plot;yield_kg\n101;8.250\n102;12,4\n", "", "row 2"},
		"spaces":                {"plot;yield_kg\n101;1 234,5\n", "1234.5", ""},
		"minus sign":            {"plot,yield_kg\n101,−2.5\n", "-2.5", ""},
	} {
		s := read(t, c.text)
		v, f := s.Numbers(s.Column("yield kg"), Undecided)
		if c.refuse != "" {
			if len(v) > 0 || len(f) != 1 || !strings.Contains(f[0].Text, c.refuse) || !strings.Contains(f[0].Text, "decimal") {
				t.Errorf("%s: %v %v", name, v, f)
			}
			continue
		}
		if len(f) > 0 || numbers(v) != c.want {
			t.Errorf("%s: %s, want %s (%v)", name, numbers(v), c.want, f)
		}
	}
}

func TestSayingTheDecimalMark(t *testing.T) {
	s := read(t, "plot,yield_kg\n101,\"1,234\"\n")
	if v, _ := s.Numbers(1, Comma); numbers(v) != "1.234" {
		t.Errorf("comma: %v", v)
	}
	if v, _ := s.Numbers(1, Point); numbers(v) != "1234" {
		t.Errorf("point: %v", v)
	}
}

// Blank is missing, zero is zero, and half-numbers are refused by row.
func TestBlankIsNotZero(t *testing.T) {
	s := read(t, "plot,cover\n1,8\n2,\n3,.\n4,-\n5,NA\n6,n/a\n7,0\n8,<1\n9,trace\n10,>100\n11,12?\n")
	v, f := s.Numbers(1, Undecided)
	if numbers(v) != "8 missing missing missing missing missing 0" {
		t.Errorf("values %s", numbers(v))
	}
	if len(f) != 4 || f[0].Line != 9 || f[3].Line != 12 {
		t.Errorf("faults %+v", f)
	}
}

func TestShortRowIsAFaultNotAZero(t *testing.T) {
	s := read(t, "plot,date,count\n101,2025-06-14,7\n102,8\n103,2025-06-14,9\n")
	if len(s.Rows) != 2 || len(s.Faults) != 1 || s.Faults[0].Line != 3 {
		t.Errorf("%+v", s)
	}
}

func TestQuotesThatDoNotPair(t *testing.T) {
	s := read(t, "plot,count\n101,5\n102,\"6\"x\n103,7\n")
	if len(s.Faults) == 0 || len(s.Rows) < 1 {
		t.Errorf("%+v", s)
	}
}

func TestDayOrMonthFirst(t *testing.T) {
	date := func(y, m, d int) trial.Date { return trial.Date{Year: y, Month: time.Month(m), Day: d} }
	s := read(t, "date\n15/04/2025\n29/04/2025\n06/05/2025\n13/05/2025\n")
	v, f := s.Dates(0, OrderUndecided, nil)
	if len(f) > 0 || v[2].Date != date(2025, 5, 6) {
		t.Errorf("%v %v", v, f)
	}
	s = read(t, "date\n06/07/2025\n05/06/2025\n")
	if v, f := s.Dates(0, OrderUndecided, nil); v != nil || len(f) != 1 || !strings.Contains(f[0].Text, "day or month first") {
		t.Errorf("%v %v", v, f)
	}
	planned := func(d trial.Date) bool { return d == date(2025, 7, 6) || d == date(2025, 6, 5) }
	if v, f := s.Dates(0, OrderUndecided, planned); len(f) > 0 || v[0].Date != date(2025, 7, 6) {
		t.Errorf("the plan decides: %v %v", v, f)
	}
	if v, _ := s.Dates(0, MonthFirst, nil); v[0].Date != date(2025, 6, 7) {
		t.Errorf("told: %v", v)
	}
	s = read(t, "date\n04/15/2025\n15/04/2025\n")
	if v, f := s.Dates(0, DayFirst, nil); v != nil || len(f) != 1 || !strings.Contains(f[0].Text, "row 2") || !strings.Contains(f[0].Text, "row 3") {
		t.Errorf("contradiction: %v %v", v, f)
	}
	s = read(t, "date\n2025-06-14\n14 Jun 2025\n\"June 14, 2025\"\n2025-02-30\n14.6.25\nyesterday\n")
	v, f = s.Dates(0, OrderUndecided, nil)
	if len(v) != 3 || v[1].Date != date(2025, 6, 14) || v[2].Date != date(2025, 6, 14) || len(f) != 3 {
		t.Errorf("%v %v", v, f)
	}
}

// Ids a spreadsheet has changed are never matched silently.
func TestDamagedIds(t *testing.T) {
	l := Labels{What: "plot", Known: []string{"1-1", "1-2", "2-1", "007"}}
	for text, want := range map[string]string{"1-Jan": "1-1", "2-Jan": "1-2 or 2-1", "1-Feb": "2-1", "7": "007", "999": "check the spelling"} {
		if got, err := l.Match(Cell{Text: text}); err == nil || !strings.Contains(err.Error(), want) {
			// 1-2 and 2-1 may come in either order
			if err == nil || want != "1-2 or 2-1" || !strings.Contains(err.Error(), "2-1 or 1-2") {
				if text != "1-Feb" || err == nil || !strings.Contains(err.Error(), "2-1") {
					t.Errorf("%s: %q %v, want %q", text, got, err, want)
				}
			}
		}
	}
	d := trial.Date{Year: 2025, Month: 1, Day: 2}
	if _, err := l.Match(Cell{Text: d.String(), Date: d}); err == nil || !strings.Contains(err.Error(), "1-2") {
		t.Errorf("date cell: %v", err)
	}
	if got, err := l.Match(Cell{Text: "1-1"}); err != nil || got != "1-1" {
		t.Errorf("%q %v", got, err)
	}
}

func TestSpellingsOfOneTreatment(t *testing.T) {
	l := Labels{What: "treatment", Known: []string{"BARE", "RYE", "STRAW"}}
	for text, want := range map[string]string{"BARE ": "BARE", "Rye": "RYE", "STRAW\u00a0": "STRAW"} {
		if got, err := l.Match(Cell{Text: Tidy(text)}); err != nil || got != want {
			t.Errorf("%q: %q %v", text, got, err)
		}
	}
	if _, err := l.Match(Cell{Text: "STRAWW"}); err == nil || !strings.Contains(err.Error(), "not in the layout") {
		t.Errorf("a typing error was merged: %v", err)
	}
	if n := l.Notes(); len(n) != 1 || !strings.Contains(n[0], `"Rye" was taken as "RYE"`) {
		t.Errorf("%v", n)
	}
}

func workbook(t *testing.T, fill func(*excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	fill(f)
	var buf bytes.Buffer
	if err := f.Write(&buf); err != nil {
		t.Fatal(err)
	}
	return buf.Bytes()
}

// Every row of a merged range gets its value; a blank outside one stays blank.
func TestMergedCells(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		f.SetSheetRow("Sheet1", "A1", &[]any{"Block", "Treatment", "Count"})
		for i := range 10 {
			f.SetCellValue("Sheet1", fmt.Sprintf("B%d", i+2), []string{"BARE", "RYE", "STRAW", "TARP", "VETCH"}[i%5])
			f.SetCellValue("Sheet1", fmt.Sprintf("C%d", i+2), i)
		}
		f.SetCellValue("Sheet1", "A2", 1)
		f.SetCellValue("Sheet1", "A7", 2)
		f.MergeCell("Sheet1", "A2", "A6")
		f.MergeCell("Sheet1", "A7", "A11")
		f.SetSheetRow("Sheet1", "A12", &[]any{nil, "BARE", 3})
	})
	s, err := Read("counts.xlsx", data)
	if err != nil {
		t.Fatal(err)
	}
	for i, r := range s.Rows[:10] {
		if want := fmt.Sprint(1 + i/5); r.Cells[0].Text != want {
			t.Errorf("row %d block %q, want %s", r.Line, r.Cells[0].Text, want)
		}
	}
	if last := s.Rows[10]; last.Cells[0].Text != "" {
		t.Errorf("a blank was filled: %+v", last)
	}
	if len(s.Notes) != 2 {
		t.Errorf("notes %v", s.Notes)
	}
}

func TestXLSXTypes(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		f.SetSheetRow("Sheet1", "A1", &[]any{"plot", "date", "count", "note"})
		f.SetCellValue("Sheet1", "A2", time.Date(2025, 1, 2, 0, 0, 0, 0, time.UTC))
		f.SetCellValue("Sheet1", "B2", time.Date(2025, 6, 14, 0, 0, 0, 0, time.UTC))
		f.SetCellValue("Sheet1", "C2", 7.5)
		f.SetCellValue("Sheet1", "D2", "007")
		f.SetCellValue("Sheet1", "A3", 101)
		f.SetCellFormula("Sheet1", "C3", "1+1")
	})
	s, err := Read("counts.xlsx", data)
	if err != nil {
		t.Fatal(err)
	}
	r := s.Rows[0].Cells
	if r[0].Date.String() != "2025-01-02" || r[1].Date.String() != "2025-06-14" || r[2].Number == nil || *r[2].Number != 7.5 || r[3].Text != "007" || r[3].Number != nil {
		t.Errorf("%+v", r)
	}
	if s.Rows[1].Cells[0].Text != "101" {
		t.Errorf("%+v", s.Rows[1])
	}
	if len(s.Faults) != 1 || !strings.Contains(s.Faults[0].Text, "formula") {
		t.Errorf("faults %+v", s.Faults)
	}
}

func TestUnreadableFiles(t *testing.T) {
	for name, c := range map[string]struct {
		data []byte
		want string
	}{
		"empty":       {nil, "empty"},
		"blank lines": {[]byte("\n\n"), "no header"},
		"old excel":   {[]byte("\xd0\xcf\x11\xe0rest"), "old .xls"},
		"pdf":         {[]byte("%PDF-1.4"), "PDF"},
		"broken zip":  {[]byte("PK\x03\x04garbage"), "spreadsheet"},
		"binary":      {[]byte("a,b\x00c\n"), "not a text table"},
		"twins":       {[]byte("plot,Plot \n1,2\n"), "two columns"},
	} {
		if _, err := Read("x.csv", c.data); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// holdsTogether reads every column of a sheet in every way and checks that its
// rows have as many cells as it has columns.
func holdsTogether(t *testing.T, s *Sheet) {
	t.Helper()
	for i := range s.Header {
		s.Numbers(i, Undecided)
		s.Dates(i, OrderUndecided, nil)
	}
	for _, r := range s.Rows {
		if len(r.Cells) != len(s.Header) {
			t.Errorf("row %d has %d cells under %d headers", r.Line, len(r.Cells), len(s.Header))
		}
	}
}

func FuzzRead(f *testing.F) {
	f.Add([]byte("plot;yield\n101;1.234,5\n"))
	f.Add([]byte("\xff\xfep\x00"))
	f.Add([]byte("PK\x03\x04"))
	f.Add([]byte("a,\"b\n1,2"))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Read("x.csv", data)
		if err != nil {
			return
		}
		holdsTogether(t, s)
	})
}

// xlsxOf packs the parts of a workbook with one sheet. They are not compressed:
// what is tried is the reading of the parts.
func xlsxOf(t testing.TB, sheet, shared, styles string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, text := range map[string]string{
		"[Content_Types].xml": `<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" ContentType="application/xml"/><Override PartName="/xl/workbook.xml" ContentType="application/vnd.openxmlformats-officedocument.spreadsheetml.sheet.main+xml"/></Types>`,
		"_rels/.rels":         `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>`,
		"xl/workbook.xml":     `<workbook xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main" xmlns:r="http://schemas.openxmlformats.org/officeDocument/2006/relationships"><sheets><sheet name="counts" sheetId="1" r:id="rId1"/></sheets></workbook>`,
		"xl/_rels/workbook.xml.rels": `<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="rId1" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/worksheet" Target="worksheets/sheet1.xml"/>` +
			`<Relationship Id="rId2" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/sharedStrings" Target="sharedStrings.xml"/><Relationship Id="rId3" Type="http://schemas.openxmlformats.org/officeDocument/2006/relationships/styles" Target="styles.xml"/></Relationships>`,
		"xl/worksheets/sheet1.xml": sheet,
		"xl/sharedStrings.xml":     shared,
		"xl/styles.xml":            styles,
	} {
		w, err := z.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Store})
		if err != nil {
			t.Fatal(err)
		}
		io.WriteString(w, text)
	}
	z.Close()
	return b.Bytes()
}

const (
	sheetHead  = `<worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>`
	sheetFoot  = `</sheetData></worksheet>`
	plainCells = `<row r="1"><c r="A1" t="s"><v>0</v></c><c r="B1" t="s"><v>1</v></c></row><row r="2"><c r="A2"><v>101</v></c><c r="B2"><v>12.5</v></c></row>`
	twoTexts   = `<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>plot</t></si><si><r><t>yie</t></r><r><t>ld</t></r></si></sst>`
	dateStyles = `<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><numFmts count="1"><numFmt numFmtId="164" formatCode="yyyy\-mm\-dd"/></numFmts><cellXfs count="3"><xf numFmtId="0"/><xf numFmtId="164"/><xf numFmtId="14"/></cellXfs></styleSheet>`
)

// FuzzXLSX reads workbooks whose sheet, texts and styles are anything.
func FuzzXLSX(f *testing.F) {
	for _, cells := range []string{
		plainCells, "", `<row/>`, `<row r="0"><c/></row>`, `<row r="9999"><c r="A9999"><v>1</v></c></row>`,
		`<row r="1"><c r="XFD1"><v>1</v></c></row>`, `<row r="1"><c r="ZZZZ1"/></row>`, `<row r="-1"><c r="A-1"><v>x</v></c></row>`,
		`<row r="1"><c r="A1" t="s"><v>99</v></c><c r="B1" t="s"><v>-1</v></c></row>`,
		`<row r="1"><c r="A1" t="inlineStr"><is><t>plot</t></is></c></row><row r="2"><c r="A2"><f>1+1</f><v>2</v></c></row>`,
		`<row r="1"><c r="A1" t="str"><v>day</v></c></row><row r="2"><c r="A2" s="1"><v>45000</v></c></row><row r="3"><c r="A3" s="2"><v>-1e300</v></c></row>`,
		`<row r="1"><c r="A1" t="b"><v>1</v></c><c r="B1" t="e"><v>#REF!</v></c><c r="C1" s="7"><v>1e999</v></c></row>`,
	} {
		f.Add(sheetHead+cells+sheetFoot, twoTexts, dateStyles)
	}
	merged := sheetHead + plainCells + `</sheetData><mergeCells count="2"><mergeCell ref="A1:A2"/><mergeCell ref="B2:XFD9999"/></mergeCells></worksheet>`
	f.Add(merged, twoTexts, dateStyles)
	f.Add(sheetHead+plainCells+sheetFoot, `<!DOCTYPE x [<!ENTITY a "&a;">]><sst><si><t>&a;</t></si></sst>`, `<styleSheet/>`)
	f.Add("", "", "")
	far := regexp.MustCompile(`[0-9]{6}`)
	f.Fuzz(func(t *testing.T, sheet, shared, styles string) {
		if far.MatchString(sheet) {
			t.Skip("a row so far down is read, but slowly: the torture test tries it")
		}
		s, err := Read("x.xlsx", xlsxOf(t, sheet, shared, styles))
		if err != nil {
			if text := err.Error(); text == "" || strings.Contains(text, "\n") {
				t.Errorf("not one sentence: %q", text)
			}
			return
		}
		holdsTogether(t, s)
	})
}
