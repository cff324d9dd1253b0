"""The queries that count confirmed cases, each the like of one in `diagnose.casebook.counting`.

What one case says of itself stands in its row (`diagnose.casebook.database`); what is counted by
test, question or work comes from the plain columns of the events.
"""

PARTS = {
    "cases": "select '[]' as key, count(*) as n from cases where confirmed",
    "causes": """
        select json_build_array(installation, wiring, complaints, cause)::text as key,
            count(*) as n
        from cases where confirmed group by installation, wiring, complaints, cause
    """,
    "sites": """
        select json_build_array(installation, site, cause)::text as key, count(*) as n
        from cases where confirmed and site <> '' and cause <> ''
        group by installation, site, cause
    """,
    # all answers, less those that a later answer to the same question took the place of
    "history": """
        select json_build_array(installation, question, choice)::text as key, sum(n) as n
        from (
            select c.installation, e.question, e.choice, count(*) as n
            from events e join cases c on c.number = e.case_number
            where c.confirmed and e.kind = 'answered' and e.withdrawn_by is null
            group by c.installation, e.question, e.choice
            union all
            select c.installation, b.question, b.choice, -count(*) as n
            from events e join cases c on c.number = e.case_number cross join lateral (
                select b.question, b.choice from events b
                where b.case_number = e.case_number and b.seq < e.seq and b.kind = 'answered'
                    and b.question = e.question and b.withdrawn_by is null
                order by b.seq desc limit 1
            ) b
            where c.confirmed and e.kind = 'answered' and e.nth > 0 and e.withdrawn_by is null
            group by c.installation, b.question, b.choice
        ) a group by installation, question, choice having sum(n) <> 0
    """,
    # a test asked once is the rule; asked again, the first answer that was not taken back
    "findings": """
        select json_build_array(installation, wiring, cause, test, outcome, phone, sure)::text
            as key, sum(n) as n
        from (
            select c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone, e.sure,
                count(*) as n
            from events e join cases c on c.number = e.case_number
            where c.confirmed and c.one_fault and e.kind = 'finding' and e.repairs = 0
                and e.nth = 0 and e.withdrawn_by is null
            group by c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone, e.sure
            union all
            select c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone, e.sure,
                count(*) as n
            from events e join cases c on c.number = e.case_number
            where c.confirmed and c.one_fault and e.kind = 'finding' and e.repairs = 0
                and e.nth > 0 and e.withdrawn_by is null
                and not exists (
                    select from events b
                    where b.case_number = e.case_number and b.seq < e.seq and b.kind = 'finding'
                        and b.test = e.test and b.phone = e.phone and b.withdrawn_by is null
                )
            group by c.installation, c.wiring, c.cause, e.test, e.outcome, e.phone, e.sure
        ) a group by installation, wiring, cause, test, outcome, phone, sure
    """,
    # a corrected whole is divided as its estimate was; nothing corrected, nothing measured
    "minutes": """
        with measured as materialized (
            select c.installation, c.site, e.case_number, e.kind, e.test, e.act, e.place,
                e.unit || '.' || coalesce(e.failure_mode, '') as mode,
                coalesce(e.own, e.minutes, 0) * case when e.minutes > 0
                    then coalesce(t.minutes, e.minutes) / e.minutes else 1 end as own,
                e.walk * case when e.minutes > 0
                    then coalesce(t.minutes, e.minutes) / e.minutes else 1 end as walk
            from events e join cases c on c.number = e.case_number
            left join counting_took t on t.case_number = e.case_number and t.id = e.id
            where c.confirmed and c.took and e.withdrawn_by is null
                and (e.kind in ('act', 'repaired') or e.kind = 'finding' and not e.phone)
        )
        select json_build_array(installation, site, kind, name)::text as key, sum(n) as n,
            sum(total) as total, sum(squares) as squares
        from (
            select installation, case when kind = 'act' then site else '' end as site,
                case kind when 'finding' then 'test' when 'act' then 'act' else 'repair' end
                    as kind,
                case kind when 'finding' then test when 'act' then act else mode end as name,
                count(*) as n, sum(ln(own)) as total, sum(ln(own) * ln(own)) as squares
            from measured where own > 0
            group by 1, 2, 3, 4
            union all
            select m.installation, m.site, 'walk',
                m.place || coalesce(':' || nullif(w.choice, ''), ''),
                count(*), sum(ln(m.walk)), sum(ln(m.walk) * ln(m.walk))
            from measured m left join lateral (
                select b.choice from events b
                where b.case_number = m.case_number and b.kind = 'answered'
                    and b.question = m.place || '_way' and b.withdrawn_by is null
                order by b.seq desc limit 1
            ) w on true
            where m.kind = 'finding' and m.walk > 0 and m.place <> ''
            group by 1, 2, 3, 4
        ) a group by installation, site, kind, name
    """,
}
"""What is counted: key (JSON), how often and, of minutes, the sums of logarithms and squares."""

TOOK = """
    select c.number as case_number, t.key as id, t.value::float8 as minutes
    from events e join cases c on c.number = e.case_number and c.closed_by = e.seq
    cross join lateral json_each_text(e.data -> 'took') t
    where c.confirmed and c.took and e.kind = 'closed'
"""
"""Real minutes of the steps that were put right, as the table ``counting_took``."""
