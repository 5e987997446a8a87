package main

import (
	"context"

	"ovenward/acquire/store"
	"ovenward/cmd/internal/report"
	"ovenward/cmd/internal/report/gather"
	"ovenward/cmd/internal/round"
	"ovenward/cmd/internal/web"
)

// printer makes the page's reports from the running daemon's record.
type printer struct{ record *store.Store }

func (p printer) Posts(ctx context.Context) ([]string, error) { return p.record.Posts(ctx) }

func (p printer) Surveys(ctx context.Context, q store.SurveyQuery, limit int) ([]store.SurveyRow, error) {
	return p.record.Surveys(ctx, q, limit)
}

func (p printer) Round(ctx context.Context, ask round.Ask) (*report.Round, error) {
	return gather.Round(ctx, p.record.Reader, ask, version())
}

func (p printer) Report(ctx context.Context, q web.ReportQuery) (*report.Document, error) {
	switch q.Kind {
	case "certificates":
		return documentOf(gather.Certificates(ctx, p.record.Reader, q.To, version()))
	case "survey":
		return documentOf(gather.Survey(ctx, p.record.Reader, q.Survey, "", version()))
	case "round":
		return documentOf(p.Round(ctx, q.Ask))
	}
	return documentOf(gather.Monitoring(ctx, p.record.Reader, gather.Query{Posts: q.Posts, From: q.From, To: q.To, Version: version()}))
}

// documentOf makes the document of what was gathered, if it was.
func documentOf[T interface{ Document() *report.Document }](x T, err error) (*report.Document, error) {
	if err != nil {
		return nil, err
	}
	return x.Document(), nil
}
