import sys; sys.argv=['move.py','../house','--report']
import io,contextlib
with contextlib.redirect_stdout(io.StringIO()):
    try: exec(open('move.py').read().split("texts = {}\nfor new")[0])
    except SystemExit: pass
use=collections.defaultdict(collections.Counter)
for o,s in sources.items():
    for a,stmt,scope in s.names.aliases:
        if isinstance(stmt,ast.ImportFrom) and (stmt.module or '').split('.')[0]=='geoqa':
            m=Rewriter.old_module(stmt,a)
            if m in sources:
                for node,_ in s.names.names:
                    if node.home is scope and node.id==(a.asname or a.name):
                        p=s.parents[node]
                        if isinstance(p,ast.Attribute): use[m][p.attr]+=1
            else:
                use[base_name(stmt)]['+'+a.name]+=1
for n,parts in MODULES.items():
    if len(parts)>1:
        print(n)
        for o in parts: print('    ',o,dict(use[o]))
