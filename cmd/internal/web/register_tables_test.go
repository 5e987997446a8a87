package web

import (
	"bytes"
	"maps"
	"mime/multipart"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"

	"ovenward/acquire/quantity"
	"ovenward/acquire/registry"
)

// A table is taken whole or not at all, and every bad row is named.
func TestRegisterByTables(t *testing.T) {
	_, k, s := registered()
	table := get(t, s, "/api/v1/ovens.csv")
	if table.Header().Get("Content-Type") != "text/csv; charset=utf-8" || !strings.Contains(table.Header().Get("Content-Disposition"), "ovens.csv") {
		t.Errorf("%v", table.Header())
	}
	// What was downloaded is taken back and changes nothing.
	before := maps.Collect(slices.All(newestOf(k.ovens, ovenID, "", false)))
	if w := importTable(s, "/api/v1/ovens/import?who=J.+Hale", table.Body.String()); w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	for i, o := range newestOf(k.ovens, ovenID, "", false) {
		if o.Oven != before[i].Oven {
			t.Errorf("a round changed %+v into %+v", before[i].Oven, o.Oven)
		}
	}
	// A table is no way round the reason that an oven's state needs.
	withdrawn := strings.Replace(table.Body.String(), "in use", "withdrawn", 1)
	k.entries = nil
	p := asProblem(t, importTable(s, "/api/v1/ovens/import?who=J.+Hale", withdrawn), 422)
	if len(p.Faults) != 1 || p.Faults[0].Field != "why" || len(k.entries) != 0 {
		t.Errorf("%+v, entered %+v", p, k.entries)
	}
	p = asProblem(t, importTable(s, "/api/v1/ovens/import?who=J.+Hale&why=hinge+bent&valid_from=2031-01-01", withdrawn), 422)
	if len(p.Faults) != 1 || p.Faults[0].Field != "valid_from" {
		t.Errorf("from a day to come: %+v", p)
	}
	bad := "id,place,frequency,limit\nnew-one,Annex,2450 MHz,in-use\nward-oven,,50 Hz,in-use\nBad Name,x,2450 MHz,out\n"
	p = asProblem(t, importTable(s, "/api/v1/ovens/import?who=J.+Hale", bad), 422)
	want := []string{"3 place", "3 frequency", "4 id", "4 limit"}
	var got []string
	for _, f := range p.Rows {
		got = append(got, string(rune('0'+f.Row))+" "+f.Column)
		if f.Why == "" || f.Do == "" {
			t.Errorf("%+v does not say why and what to do", f)
		}
	}
	if !slices.Equal(got, want) || k.called() != "" {
		t.Errorf("bad rows %v, want %v; entered %s", got, want, k.called())
	}
	if p := asProblem(t, importTable(s, "/api/v1/ovens/import", "id\nx\n"), 422); len(p.Faults) != 1 || p.Faults[0].Field != "who" {
		t.Errorf("a table from nobody: %+v", p)
	}
	tablesByThePage(t, k, s, bad)
	tablesOfProbes(t, k, s)
}

// importTable sends a table as a program does.
func importTable(s *Server, path, body string) *httptest.ResponseRecorder {
	r := request(path, "", "")
	r.Body = readCloser{strings.NewReader(body)}
	r.Header.Set("Content-Type", "text/csv")
	return send(s, r)
}

// tablesByThePage sends a file, as a browser does.
func tablesByThePage(t *testing.T, k *keeping, s *Server, bad string) {
	t.Helper()
	upload := func(path, content string) *httptest.ResponseRecorder {
		var body bytes.Buffer
		m := multipart.NewWriter(&body)
		_ = m.WriteField("who", "J. Hale")
		file, err := m.CreateFormFile("table", "ovens.csv")
		if err != nil {
			t.Fatal(err)
		}
		_, _ = file.Write([]byte(content))
		_ = m.Close()
		r := request(path, "", "")
		r.Body = readCloser{strings.NewReader(body.String())}
		r.Header.Set("Content-Type", m.FormDataContentType())
		r.Header.Set("Accept", "text/html")
		return send(s, r)
	}
	w := upload("/api/v1/ovens/import", bad)
	if page := textOf(w.Body.String()); w.Code != 422 || !strings.Contains(page, "Nothing was taken: 4 things in the table are wrong") || !strings.Contains(page, "it is no frequency of microwaves") {
		t.Errorf("%d: %s", w.Code, page)
	}
	if w = upload("/api/v1/ovens/import", "id,place,frequency,limit,power\nnew-one,Annex,2450 MHz,in-use,800 W\nward-oven,Third floor,2450 MHz,in-use,1.2 kW\n"); w.Code != 303 || w.Header().Get("Location") != "/ovens" {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	if e := k.entries[len(k.entries)-1]; len(e.Ovens) != 2 || e.Ovens[0].Base != registry.New || e.Ovens[1].Serial != "LH-2231" || e.Ovens[1].Power != quantity.Power(1200) || e.Who != "J. Hale" {
		t.Errorf("entered %+v", e)
	}
}

// tablesOfProbes: probes come with their newest certificates.
func tablesOfProbes(t *testing.T, k *keeping, s *Server) {
	t.Helper()
	probes := get(t, s, "/api/v1/probes.csv").Body.String()
	if !strings.Contains(probes, "probe-galley,,,7,,in use,,LH-0417,a laboratory,2025-02-01,2026-02-01,1,20 %,2,") {
		t.Errorf("the table of probes:\n%s", probes)
	}
	k.entries = nil
	if w := importTable(s, "/api/v1/probes/import?who=J.+Hale", probes); w.Code != 200 || len(k.entries[0].Certificates) != 0 {
		t.Errorf("a round: %d %s %s", w.Code, w.Body, k.called())
	}
	newer := "id,certificate_number,certificate_laboratory,certificate_date,certificate_due,certificate_factor,certificate_expanded_uncertainty,certificate_k\nprobe-galley,LH-0600,a laboratory,2026-06-01,2027-06-01,1.05,15 %,2\n"
	if w := importTable(s, "/api/v1/probes/import?who=J.+Hale", newer); w.Code != 200 || len(k.entries[1].Certificates) != 1 || k.entries[1].Certificates[0].Factor != 1.05 {
		t.Errorf("%d %s %s", w.Code, w.Body, k.called())
	}
	p := asProblem(t, importTable(s, "/api/v1/probes/import?who=J.+Hale", "id,certificate_number\nspare,LH-1\n"), 422)
	if len(p.Rows) != 6 || p.Rows[0].Row != 2 || p.Rows[0].Column != "certificate_laboratory" {
		t.Errorf("half a certificate: %+v", p.Rows)
	}
}
