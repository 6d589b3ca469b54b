package tables

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"

	"github.com/xuri/excelize/v2"
)

// percentStyles are formats by index: 0 general, 1 whole percent (9), 2 percent
// of the user's own, 3 a day, 4 percent signs in quotes alone.
const percentStyles = `<styleSheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><numFmts count="2"><numFmt numFmtId="164" formatCode="0.0%"/><numFmt numFmtId="165" formatCode="0&quot;%&quot;"/></numFmts><cellXfs count="5"><xf numFmtId="0"/><xf numFmtId="9"/><xf numFmtId="164"/><xf numFmtId="14"/><xf numFmtId="165"/></cellXfs></styleSheet>`

func head(names ...string) string {
	var b strings.Builder
	b.WriteString(`<row r="1">`)
	for i, n := range names {
		fmt.Fprintf(&b, `<c r="%c1" t="inlineStr"><is><t>%s</t></is></c>`, 'A'+i, n)
	}
	return b.String() + `</row>`
}

func cellsOf(t *testing.T, rows string) *Sheet {
	t.Helper()
	s, err := Read("x.xlsx", xlsxOf(t, sheetHead+rows+sheetFoot, twoTexts, percentStyles))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestPercentCells: a cell holds 0.45 and shows 45 %; what a person sees counts.
func TestPercentCells(t *testing.T) {
	s := cellsOf(t, head("plot", "cover_%")+
		`<row r="2"><c r="A2"><v>101</v></c><c r="B2" s="1"><v>0.45</v></c></row><row r="3"><c r="A3"><v>102</v></c><c r="B3"><v>30</v></c></row>`+
		`<row r="4"><c r="A4"><v>103</v></c><c r="B4" s="2"><v>0.07</v></c></row><row r="5"><c r="A5"><v>104</v></c><c r="B5" s="4"><v>12</v></c></row>`)
	v, faults := s.Numbers(1, Undecided)
	if len(faults) > 0 || numbers(v) != "45 30 7 12" || !v[0].Percent || v[1].Percent || !v[2].Percent || v[3].Percent {
		t.Errorf("%+v %v", v, faults)
	}
	c := read(t, "plot,cover\n101,45 %\n102,7%\n103,12\n")
	if v, faults := c.Numbers(1, Undecided); len(faults) > 0 || numbers(v) != "45 7 12" || !v[0].Percent || v[2].Percent {
		t.Errorf("CSV: %+v %v", v, faults)
	}
}

// TestDateSystem1904: the same day has another serial in a workbook that
// counts from 1904 (ECMA-376 part 1, 18.2.28): 2025-06-14 is 44360 there and
// 45822 in the usual system.
func TestDateSystem1904(t *testing.T) {
	rows := func(serial string) string {
		return head("plot", "date") + `<row r="2"><c r="A2"><v>101</v></c><c r="B2" s="3"><v>` + serial + `</v></c></row>`
	}
	mac := xlsxOf(t, sheetHead+rows("44360")+sheetFoot, twoTexts, percentStyles)
	mac = rewrite(t, mac, "xl/workbook.xml", func(s string) string { return strings.Replace(s, "<sheets>", `<workbookPr date1904="1"/><sheets>`, 1) })
	for name, data := range map[string][]byte{"1904": mac, "1900": xlsxOf(t, sheetHead+rows("45822")+sheetFoot, twoTexts, percentStyles)} {
		s, err := Read("x.xlsx", data)
		if err != nil || s.Rows[0].Cells[1].Date.String() != "2025-06-14" {
			t.Errorf("%s: %+v %v", name, s, err)
		}
	}
}

// rewrite changes one member of a zip.
func rewrite(t *testing.T, data []byte, name string, change func(string) string) []byte {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, f := range r.File {
		h, _ := f.Open()
		text, _ := io.ReadAll(h)
		h.Close()
		out, _ := w.Create(f.Name)
		if f.Name == name {
			text = []byte(change(string(text)))
		}
		out.Write(text)
	}
	w.Close()
	return b.Bytes()
}

// TestFormulas: none stored, the right result, a dummy one, one over empty
// cells, one over another sheet, one that changes by itself.
func TestFormulas(t *testing.T) {
	for formula, c := range map[string]struct{ stored, want string }{
		"3+4":            {"", "without a stored value"},
		"SUM(F2:H2)":     {"<v>0</v>", "over empty cells"},
		"A2+B2":          {"<v>0</v>", "gives 111"},
		"B2+C2":          {"<v>12</v>", ""},
		"SUM(B2:C2)*1":   {"<v>0</v>", "gives 12"},
		"Sheet9!A1+1":    {"<v>5</v>", ""},
		"RAND()":         {"<v>0.5</v>", ""},
		"NOSUCH(B2)":     {"<v>3</v>", ""},
		"SUM(B2,F2)":     {"<v>10</v>", ""},
		"1/3":            {"<v>0.333333333</v>", ""},
		"IF(B2>5,10,20)": {"<v>10</v>", ""},
	} {
		s := cellsOf(t, head("plot", "b", "c", "total")+`<row r="2"><c r="A2"><v>101</v></c><c r="B2"><v>10</v></c><c r="C2"><v>2</v></c><c r="D2"><f>`+strings.ReplaceAll(formula, ">", "&gt;")+`</f>`+c.stored+`</c></row>`)
		switch {
		case c.want == "" && (len(s.Faults) != 0 || s.Rows[0].Cells[3].Number == nil):
			t.Errorf("=%s with %s: %+v", formula, c.stored, s.Faults)
		case c.want != "" && (len(s.Faults) != 1 || !strings.Contains(s.Faults[0].Text, c.want) || !strings.Contains(s.Faults[0].Text, "D2")):
			t.Errorf("=%s with %s: %+v, want %s", formula, c.stored, s.Faults, c.want)
		}
	}
}

// TestTrueIsNoNumber, and a value cell that lies under a merged one is nobody's.
func TestTrueAndMergedValues(t *testing.T) {
	s := cellsOf(t, head("plot", "grass")+`<row r="2"><c r="A2"><v>101</v></c><c r="B2" t="b"><v>1</v></c></row>`)
	if _, faults := s.Numbers(1, Undecided); s.Rows[0].Cells[1].Text != "TRUE" || len(faults) != 1 {
		t.Errorf("%+v %v", s.Rows[0], faults)
	}
	data := workbook(t, func(f *excelize.File) {
		f.SetSheetRow("Sheet1", "A1", &[]any{"plot", "visit", "broadleaf", "grass"})
		f.SetSheetRow("Sheet1", "A2", &[]any{"101", 1, 7, nil})
		f.SetSheetRow("Sheet1", "A3", &[]any{"102", nil, 5, 3})
		f.SetSheetRow("Sheet1", "A4", &[]any{"103", nil, nil, 4})
		f.MergeCell("Sheet1", "C2", "D2") // one number over two classes
		f.MergeCell("Sheet1", "C3", "C4") // one number over two plots
		f.MergeCell("Sheet1", "B2", "B4") // one visit for three rows: a label
	})
	m, err := Read("x.xlsx", data)
	if err != nil {
		t.Fatal(err)
	}
	for col, want := range map[int]string{2: "4", 3: "2"} {
		v, faults := m.Numbers(col, Undecided)
		if len(faults) != 1 || fmt.Sprint(faults[0].Line) != want || !strings.Contains(faults[0].Text, "merged") || len(v) != 2 {
			t.Errorf("column %d: %+v %+v", col, v, faults)
		}
	}
	if v, faults := m.NumbersExpanded(1, Undecided); len(faults) > 0 || numbers(v) != "1 1 1" {
		t.Errorf("a label: %+v %v", v, faults)
	}
}

// TestHiddenThings: hidden rows and columns are read and said, hidden sheets
// are not read unless they are named.
func TestHiddenThings(t *testing.T) {
	data := workbook(t, func(f *excelize.File) {
		f.SetSheetRow("Sheet1", "A1", &[]any{"plot", "grass"})
		f.SetSheetRow("Sheet1", "A2", &[]any{"999", 9})
		f.NewSheet("June")
		f.SetSheetRow("June", "A1", &[]any{"plot", "grass"})
		for i := range 6 {
			f.SetSheetRow("June", fmt.Sprintf("A%d", i+2), &[]any{fmt.Sprint(101 + i), i})
			f.SetRowVisible("June", i+2, i < 2)
		}
		f.SetColVisible("June", "B", false)
		f.NewSheet("July")
		f.SetSheetRow("July", "A1", &[]any{"plot", "grass"})
		f.SetSheetRow("July", "A2", &[]any{"201", 1})
		f.SetActiveSheet(1)
		f.SetSheetVisible("Sheet1", false)
	})
	s, err := Read("x.xlsx", data)
	if err != nil {
		t.Fatal(err)
	}
	notes := strings.Join(s.Notes, "\n")
	if s.Rows[0].Cells[0].Text != "101" || len(s.Rows) != 6 {
		t.Errorf("%+v", s.Rows)
	}
	for _, want := range []string{"4 hidden rows are included (rows 4 to 7)", "hidden columns are included: B", `"June" was read`, `hidden worksheets were not read: "Sheet1"`} {
		if !strings.Contains(notes, want) {
			t.Errorf("no note says %q in\n%s", want, notes)
		}
	}
	for sheet, plot := range map[string]string{"july": "201", "Sheet1": "999"} {
		s, err := ReadPart("x.xlsx", data, Options{Worksheet: sheet})
		if err != nil || s.Rows[0].Cells[0].Text != plot {
			t.Errorf("%s: %+v %v", sheet, s, err)
		}
	}
	if _, err := ReadPart("x.xlsx", data, Options{Worksheet: "May"}); err == nil || !strings.Contains(err.Error(), `"June", "July", "Sheet1"`) {
		t.Errorf("got %v", err)
	}
	if _, err := ReadPart("x.csv", []byte("plot\n101\n"), Options{Worksheet: "May"}); err == nil {
		t.Error("a worksheet of a CSV")
	}
}

// TestOddQuotes: every row that is lost to a quotation mark is named, and takes
// no other along.
func TestOddQuotes(t *testing.T) {
	for name, c := range map[string]struct{ text, plots, lost string }{
		"one in the middle, one never closed": {"plot,grass,note\n101,7,5\" tall weeds\n102,9,ok\n103,4,\"half\n104,1,ok\n105,2,ok\n", "102 104 105", "2 4"},
		"two that meet":                       {"plot,grass,note\n101,7,\"half\n102,9,ok\n103,4,other\"\n104,1,ok\n", "102 104", "2 4"},
		"a note of two lines":                 {"plot,grass,note\n101,7,\"tall\nweeds, dense\"\n102,9,ok\n", "101 102", ""},
		"at the very end":                     {"plot,grass,note\n101,7,ok\n102,9,\"", "101", "3"},
		"sound":                               {"plot,grass,note\n101,7,\"a \"\"b\"\", c\"\n", "101", ""},
	} {
		s := read(t, c.text)
		var plots, lost []string
		for _, r := range s.Rows {
			plots = append(plots, r.Cells[0].Text)
		}
		for _, f := range s.Faults {
			lost = append(lost, fmt.Sprint(f.Line))
		}
		if strings.Join(plots, " ") != c.plots || strings.Join(lost, " ") != c.lost {
			t.Errorf("%s: read %v, lost %v; want %s, lost %s", name, plots, s.Faults, c.plots, c.lost)
		}
	}
}

// TestWhatStandsAboveTheHeader: a separator line, titles.
func TestWhatStandsAboveTheHeader(t *testing.T) {
	for name, text := range map[string]string{
		"sep":              "sep=;\nplot;yield\n101;12,5\n",
		"sep tab":          "SEP=\\t\nplot\tyield\n101\t12,5\n",
		"titles":           "Alder Bend, leeks 2025\nweighed by Ada; June\n\nplot;yield\n101;12,5\n",
		"titles in commas": "Alder Bend,,\n2025,,\nplot,yield,\n101,\"12,5\",\n",
		"plain":            "plot;yield\n101;12,5\n",
	} {
		s := read(t, text)
		line := strings.Count(text[:strings.Index(text, "101")], "\n") + 1
		if v, faults := s.Numbers(1, Undecided); len(s.Header) != 2 || len(faults)+len(s.Faults) > 0 || numbers(v) != "12.5" || s.Rows[0].Line != line {
			t.Errorf("%s: %+v %v %v", name, s, v, faults)
		}
	}
	data := workbook(t, func(f *excelize.File) {
		f.SetCellValue("Sheet1", "A1", "Alder Bend")
		f.MergeCell("Sheet1", "A1", "C1")
		f.SetSheetRow("Sheet1", "A3", &[]any{"plot", "grass"})
		f.SetSheetRow("Sheet1", "A4", &[]any{"101", 4})
	})
	s, err := Read("x.xlsx", data)
	if err != nil || len(s.Header) != 2 || len(s.Rows) != 1 || s.Rows[0].Line != 4 || len(s.Faults) > 0 {
		t.Errorf("%+v %v", s, err)
	}
}

// TestOtherFormats: one sentence each, with the way out.
func TestOtherFormats(t *testing.T) {
	for name, data := range map[string]string{
		"HTML":         "<html><body><table><tr><td>plot</td></tr></table></body></html>",
		"HTML, spaces": "\xef\xbb\xbf\r\n <TABLE><tr><td>plot</td></tr></TABLE>",
		"XML":          `<?xml version="1.0"?><Workbook xmlns="urn:schemas-microsoft-com:office:spreadsheet"/>`,
		"other zip":    "PK\x03\x04garbage",
	} {
		_, err := Read("counts.xls", []byte(data))
		if err == nil || !strings.Contains(err.Error(), "save it as") || strings.ContainsAny(err.Error(), "\n%") || strings.Contains(err.Error(), "zip") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func odsOf(t testing.TB, content string) []byte {
	t.Helper()
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, m := range []struct{ name, text string }{{"mimetype", odsType}, {"content.xml", content}} {
		w, err := z.CreateHeader(&zip.FileHeader{Name: m.name, Method: zip.Store})
		if err != nil {
			t.Fatal(err)
		}
		io.WriteString(w, m.text)
	}
	z.Close()
	return b.Bytes()
}

const odsHead = `<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0" xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0" xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0" xmlns:style="urn:oasis:names:tc:opendocument:xmlns:style:1.0"><office:automatic-styles><style:style style:name="ta2" style:family="table"><style:table-properties table:display="false"/></style:style></office:automatic-styles><office:body><office:spreadsheet>`
const odsFoot = `</office:spreadsheet></office:body></office:document-content>`

func odsText(s string) string {
	return `<table:table-cell office:value-type="string"><text:p>` + s + `</text:p></table:table-cell>`
}

// TestODS: the types of cells, repeated cells and rows, hidden sheets and rows,
// merged cells, formulas.
func TestODS(t *testing.T) {
	data := odsOf(t, odsHead+
		`<table:table table:name="old" table:style-name="ta2"><table:table-row>`+odsText("plot")+odsText("grass")+`</table:table-row><table:table-row>`+odsText("999")+odsText("9")+`</table:table-row></table:table>`+
		`<table:table table:name="June" table:style-name="ta1">`+
		`<table:table-row>`+odsText("plot")+odsText("date")+odsText("cover_%")+odsText("grass")+odsText("sedge")+odsText("note")+`</table:table-row>`+
		`<table:table-row><table:table-cell office:value-type="float" office:value="101"><text:p>101</text:p></table:table-cell><table:table-cell office:value-type="date" office:date-value="2025-06-14"><text:p>14/06/25</text:p></table:table-cell>`+
		`<table:table-cell office:value-type="percentage" office:value="0.45"><text:p>45 %</text:p></table:table-cell><table:table-cell office:value-type="float" office:value="1234.5" table:number-columns-repeated="2"><text:p>1.234,50</text:p></table:table-cell>`+
		`<table:table-cell office:value-type="string"><office:annotation><text:p>a comment</text:p></office:annotation><text:p>two<text:s/>words</text:p></table:table-cell></table:table-row>`+
		`<table:table-row table:number-rows-repeated="3"><table:table-cell table:number-columns-repeated="1024"/></table:table-row>`+
		`<table:table-row table:visibility="collapse">`+odsText("102")+odsText("2025-06-14")+`<table:table-cell/><table:table-cell office:value-type="boolean" office:boolean-value="true"><text:p>TRUE</text:p></table:table-cell></table:table-row>`+
		`<table:table-row>`+odsText("103")+odsText("2025-06-14")+`<table:table-cell/><table:table-cell table:number-columns-spanned="2" office:value-type="float" office:value="7"><text:p>7</text:p></table:table-cell><table:covered-table-cell/></table:table-row>`+
		`<table:table-row>`+odsText("104")+odsText("2025-06-14")+`<table:table-cell/><table:table-cell table:formula="of:=1+1"/></table:table-row>`+
		`<table:table-row table:number-rows-repeated="1048000"><table:table-cell table:number-columns-repeated="1024"/></table:table-row></table:table>`+odsFoot)
	s, err := Read("x.ods", data)
	if err != nil {
		t.Fatal(err)
	}
	if len(s.Rows) != 4 || s.Rows[0].Cells[1].Date.String() != "2025-06-14" || s.Rows[0].Cells[5].Text != "two words" || s.Rows[1].Line != 6 {
		t.Errorf("%+v", s)
	}
	if v, _ := s.Numbers(2, Undecided); v[0].Number != 45 || !v[0].Percent || !v[1].Missing {
		t.Errorf("cover %+v", v)
	}
	grass, faults := s.Numbers(3, Undecided)
	if len(faults) != 1 || grass[0].Number != 1234.5 { // TRUE is no number
		t.Errorf("grass %+v %+v", grass, faults)
	}
	if sedge, faults := s.Numbers(4, Undecided); len(faults) != 1 || faults[0].Line != 7 || sedge[0].Number != 1234.5 {
		t.Errorf("a merged value: %+v %+v", sedge, faults)
	}
	if len(s.Faults) != 1 || s.Faults[0].Line != 8 || !strings.Contains(s.Faults[0].Text, "formula") {
		t.Errorf("%+v", s.Faults)
	}
	if n := strings.Join(s.Notes, "\n"); !strings.Contains(n, `not read: "old"`) || !strings.Contains(n, "1 hidden row is included (row 6)") {
		t.Errorf("%s", n)
	}
	if old, err := ReadPart("x.ods", data, Options{Worksheet: "old"}); err != nil || old.Rows[0].Cells[0].Text != "999" {
		t.Errorf("%+v %v", old, err)
	}
	for _, bad := range []string{"", "<x>", odsHead, odsHead + `<table:table><table:table-row>`} {
		if _, err := Read("x.ods", odsOf(t, bad)); err == nil || !strings.Contains(err.Error(), "save it") && !strings.Contains(err.Error(), "no rows") {
			t.Errorf("%q: %v", bad, err)
		}
	}
}

// FuzzODS reads workbooks whose content is anything.
func FuzzODS(f *testing.F) {
	f.Add(odsHead + `<table:table table:name="a"><table:table-row>` + odsText("plot") + `</table:table-row></table:table>` + odsFoot)
	f.Add(odsHead + `<table:table><table:table-row table:number-rows-repeated="999999999">` + odsText("plot") + `<table:covered-table-cell table:number-columns-repeated="999999999"/></table:table-row></table:table>` + odsFoot)
	f.Add("")
	f.Fuzz(func(t *testing.T, content string) {
		if strings.Contains(content, "repeated") && strings.Contains(content, "99999") {
			return // up to the limits is read, but slowly
		}
		s, err := Read("x.ods", odsOf(t, content))
		if err != nil {
			if text := err.Error(); text == "" || strings.Contains(text, "\n") {
				t.Errorf("not one sentence: %q", text)
			}
			return
		}
		holdsTogether(t, s)
	})
}

func TestFaultsAreGrouped(t *testing.T) {
	var list []Fault
	for i := 2; i <= 61; i++ {
		list = append(list, Fault{i, "has no date of harvest"})
	}
	list = append(list, Fault{3, "other"}, Fault{7, "other"}, Fault{8, "other"}, Fault{9, "other"}, Fault{9, "other"}, Fault{0, "whole"}, Fault{70, "last"}, Fault{71, "last"})
	var got []string
	for _, g := range GroupFaults(list) {
		got = append(got, g.Rows()+": "+g.Text)
	}
	want := ": whole|rows 2 to 61: has no date of harvest|rows 3 and 7 to 9: other|rows 70 and 71: last"
	if strings.Join(got, "|") != want {
		t.Errorf("%s\nwant %s", strings.Join(got, "|"), want)
	}
}

// TestLabelsInOtherLetters: what reads the same and is written otherwise.
func TestLabelsInOtherLetters(t *testing.T) {
	l := Labels{What: "treatment", Known: []string{"BARE", "RYE-VETCH", "1-2", "12"}}
	for text, want := range map[string]string{"rye vetch": "RYE-VETCH", "RYE_VETCH": "RYE-VETCH", "Bare\u00a0": "BARE", "1-2": "1-2", "12": "12", "\uff22\uff21\uff32\uff25": "BARE"} {
		if got, err := l.Match(Cell{Text: text}); err != nil || got != want {
			t.Errorf("%q: %q %v", text, got, err)
		}
	}
	if _, err := l.Match(Cell{Text: "B\u0410RE"}); err == nil || !strings.Contains(err.Error(), "another alphabet") {
		t.Errorf("a Cyrillic letter: %v", err)
	}
}
